"""Captures: same bytes for the same seed, the contract kept, faults visible and labelled."""

import gzip
import itertools
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from models.sample import SIGNALS
from simulator.capture import fleet_messages, write_capture
from simulator.faults import KINDS, Fault
from simulator.northfold import START_MS
from simulator.physics.weather import Weather
from simulator.plan import Fleet, TruckPlan, fleet_toml
from simulator.random_fleet import random_fleet
from simulator.routes import Route, city_delivery, drive, long_climb, park
from simulator.sensors import WITH_LINES, WITH_SLIP
from simulator.trucks import truck_plan


def _samples(*plans: TruckPlan, hours: float, seed: int = 1) -> Iterator[dict[str, Any]]:
    fleet = Fleet(name="test", plans=plans)
    for message in fleet_messages(
        fleet, start_ms=START_MS, duration_s=3_600.0 * hours, seed=seed
    ):
        if message.topic.endswith("/telemetry"):
            value = json.loads(message.payload)
            yield from value if isinstance(value, list) else [value]


def _signal(plan: TruckPlan, name: str, *, hours: float = 1.0) -> list[float]:
    return [sample[name] for sample in _samples(plan, hours=hours) if name in sample]


def test_the_bytes_depend_on_the_seed_alone(tmp_path: Path) -> None:
    def written(name: str, seed: int) -> bytes:
        path = tmp_path / name
        fleet = random_fleet(3, 4, faulty_share=1.0)
        write_capture(
            fleet,
            path,
            start_ms=START_MS,
            duration_s=1_800.0,
            seed=seed,
            labels_path=tmp_path / f"{name}.labels",
        )
        return path.read_bytes()

    once = written("once.jsonl.gz", 1)
    assert once == written("again.jsonl.gz", 1)
    assert once != written("other.jsonl.gz", 2)
    assert gzip.decompress(once) == written("plain.jsonl", 1)
    labels = (tmp_path / "once.jsonl.gz.labels").read_bytes()
    assert labels == (tmp_path / "again.jsonl.gz.labels").read_bytes()
    assert len(labels.splitlines()) == 4


def test_a_capture_keeps_the_message_contract(tmp_path: Path) -> None:
    ranges = {signal.name: signal for signal in SIGNALS}
    path = tmp_path / "fleet.jsonl"
    written = write_capture(
        random_fleet(8, 12), path, start_ms=START_MS, duration_s=1_200.0, seed=8
    )
    seen: set[str] = set()
    count = 0
    for text in path.read_text().splitlines():
        line = json.loads(text)
        assert set(line) == {"topic", "payload"}
        if not line["topic"].endswith("/telemetry"):
            continue
        payload = line["payload"]
        for sample in payload if isinstance(payload, list) else [payload]:
            count += 1
            assert "time" in sample
            for name in set(sample) - {"time", "seq"}:
                signal = ranges[name]
                assert signal.low <= sample[name] <= signal.high
                assert isinstance(sample[name], bool) == (signal.kind == "boolean")
                seen.add(name)
    assert seen == set(ranges)
    assert count == written.samples


def test_labels_name_truck_fault_and_time(tmp_path: Path) -> None:
    plan = truck_plan(
        "T-1", faults=(Fault(kind="sensor_bias", since_s=60.0, until_s=90.0, size=5.0),)
    )
    write_capture(
        Fleet(name="test", plans=(plan,)),
        tmp_path / "a.jsonl",
        start_ms=START_MS,
        duration_s=120.0,
        seed=1,
        labels_path=tmp_path / "a.labels",
    )
    assert json.loads((tmp_path / "a.labels").read_text()) == {
        "vehicle": "T-1",
        "fault": "sensor_bias",
        "since": "2026-06-16T06:01:00.000Z",
        "until": "2026-06-16T06:01:30.000Z",
        "size": 5.0,
        "ramp_s": 0.0,
        "signal": "fluid_temp_c",
    }


def test_an_unknown_fault_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="bypass_stuck"):
        Fault(kind="bypas_stuck", since_s=0.0)


def _climb(**keys: Any) -> TruckPlan:
    return truck_plan(
        "T-1",
        route=Route(name="climb", segments=(drive(90, 68, grade_pct=4.0, trailer_kg=5_000.0),)),
        weather=Weather(mean_c=30.0, swing_c=0.0),
        start_temp_c=85.0,
        **keys,
    )


def _peak(fault: Fault | None, **keys: Any) -> float:
    faults = () if fault is None else (fault,)
    return max(_signal(_climb(faults=faults, **keys), "fluid_temp_c"))


def test_faults_of_the_cooling_circuit_make_heat() -> None:
    healthy = _peak(None)
    assert healthy < 100.0
    assert _peak(Fault(kind="bypass_stuck", since_s=600.0)) > 130.0
    assert _peak(Fault(kind="bypass_stuck", since_s=600.0, size=0.9)) > healthy + 3.0
    assert _peak(Fault(kind="cooler_starved", since_s=600.0)) > healthy + 5.0
    assert _peak(Fault(kind="cooler_flow", since_s=600.0)) > healthy + 5.0
    assert _peak(Fault(kind="lockup_slip", since_s=600.0, size=300.0)) > healthy + 2.0


def test_a_fault_that_grows_comes_later() -> None:
    def passed(fault: Fault) -> int:
        temps = _signal(_climb(faults=(fault,)), "fluid_temp_c")
        return next(index for index, temp in enumerate(temps) if temp > 105.0)

    sudden = passed(Fault(kind="bypass_stuck", since_s=600.0))
    gradual = passed(Fault(kind="bypass_stuck", since_s=600.0, ramp_s=1_800.0))
    assert gradual > sudden + 60


def test_stuck_to_the_cooler_stays_cool() -> None:
    temps = _signal(
        _climb(faults=(Fault(kind="stuck_to_cooler", since_s=0.0),)), "fluid_temp_c"
    )
    assert max(temps[180:]) < 82.0


def test_a_coolant_valve_stuck_shut_cooks_its_circuit() -> None:
    keys: dict[str, Any] = {"circuit": "coolant_exchanger", "coolant_valve": True}
    fault = Fault(kind="coolant_valve_stuck", since_s=600.0)
    assert _peak(None, **keys) < 115.0
    assert _peak(fault, **keys) > 130.0


def test_slip_and_cold_line_show_the_fault() -> None:
    slipping = _climb(faults=(Fault(kind="lockup_slip", since_s=600.0),), signals=WITH_SLIP)
    assert max(_signal(slipping, "lockup_slip_rpm")) > 150.0
    stuck = _climb(faults=(Fault(kind="bypass_stuck", since_s=0.0),), signals=WITH_LINES)
    assert _signal(stuck, "cooler_return_temp_c")[-1] < 45.0


def test_sensor_faults_touch_their_sensor_alone() -> None:
    def temps(*faults: Fault) -> list[float]:
        return _signal(truck_plan("T-1", faults=faults), "fluid_temp_c")

    clean = temps()
    frozen = temps(Fault(kind="sensor_frozen", since_s=1_800.0))
    assert frozen[:178] == clean[:178]
    assert len(set(frozen[180:])) == 1
    biased = temps(Fault(kind="sensor_bias", since_s=1_800.0, size=8.0))
    assert biased[200] - clean[200] == pytest.approx(8.0, abs=0.11)
    drifted = temps(Fault(kind="sensor_drift", since_s=0.0, size=4.0))
    assert drifted[-1] - clean[-1] == pytest.approx(4.0, abs=0.15)
    lost = temps(Fault(kind="sensor_dropout", since_s=0.0, size=0.7))
    assert 0.2 * len(clean) < len(lost) < 0.4 * len(clean)
    noisy = temps(Fault(kind="sensor_noise", since_s=0.0, size=6.0))
    assert max(abs(a - b) for a, b in itertools.pairwise(noisy)) > 8.0
    missing = truck_plan("T-1", faults=(Fault(kind="ambient_missing", since_s=0.0),))
    assert _signal(missing, "ambient_temp_c") == []


def test_every_kind_of_fault_is_tried_somewhere() -> None:
    tried = {
        fault.kind
        for plan in random_fleet(1, 400, faulty_share=1.0).plans
        for fault in plan.faults
    }
    assert tried == set(KINDS)


def test_a_parked_truck_says_nothing() -> None:
    route = Route(name="short", segments=(drive(10, 60), park(600)))
    times = [sample["seq"] for sample in _samples(truck_plan("T-1", route=route), hours=2.0)]
    assert len(times) == pytest.approx(66, abs=1)


def test_counters_never_fall() -> None:
    plan = truck_plan("T-1", route=city_delivery())
    for name in ("odometer_km", "engine_hours_h"):
        values = _signal(plan, name, hours=2.0)
        assert values == sorted(values)
        assert values[-1] > values[0]


def test_the_fleet_file_of_a_fleet_reads_back() -> None:
    fleet = random_fleet(5, 3)
    file = tomllib.loads(fleet_toml(fleet))
    assert list(file["vehicles"]) == ["RF-0001", "RF-0002", "RF-0003"]
    first = fleet.plans[0].registration
    assert file["vehicles"]["RF-0001"]["circuit"] == first.circuit
    assert file["vehicles"]["RF-0001"]["class"] == first.truck_class
    assert file["fluids"]["standard"]["activation_energy_kj_mol"] == 77.0


def test_a_long_climb_is_within_healthy_bounds() -> None:
    temps = _signal(truck_plan("T-1", route=long_climb()), "fluid_temp_c", hours=2.0)
    assert 82.0 < max(temps) < 105.0
