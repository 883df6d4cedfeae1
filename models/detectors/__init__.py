"""The detectors: one file each, listed here in the order they run."""

from models.detector import Detector
from models.detectors.bypass_stuck import BYPASS_STUCK
from models.detectors.coolant_valve_stuck import COOLANT_VALVE_STUCK
from models.detectors.cooler_starved import COOLER_STARVED
from models.detectors.heat_rejection_low import HEAT_REJECTION_LOW
from models.detectors.lockup_slip import LOCKUP_SLIP
from models.detectors.over_temperature import OVER_TEMPERATURE
from models.detectors.overcooled import OVERCOOLED
from models.detectors.sensor_fault import SENSOR_FAULT
from models.detectors.service_due import SERVICE_DUE

DETECTORS: tuple[Detector, ...] = (
    OVER_TEMPERATURE,
    BYPASS_STUCK,
    OVERCOOLED,
    COOLER_STARVED,
    COOLANT_VALVE_STUCK,
    HEAT_REJECTION_LOW,
    LOCKUP_SLIP,
    SENSOR_FAULT,
    SERVICE_DUE,
)
