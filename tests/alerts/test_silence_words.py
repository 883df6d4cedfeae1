"""A silence says what it rests on; what is done about it is common practice, no source."""

from __future__ import annotations

import math

import pytest

from alerts.gsm import spelt
from alerts.short_form import short
from alerts.silence_words import DOWN_MINUTES, LOST, MOVING, REFUSED, everybody_words
from models.silence_words import words
from models.units import METRIC
from models.words import Words

QUIET = {"quiet_minutes": 16.0}
ALL = {"quiet_minutes": 6.0, "trucks": 40.0, MOVING: 12.0, LOST: 0.0, DOWN_MINUTES: math.nan}


def of_a_truck(**more: float) -> Words:
    return words({**QUIET, **more}, METRIC)


def of_all(**more: float) -> Words:
    return everybody_words({**ALL, **more}, METRIC)


def test_a_line_lost_is_told_from_a_gateway_that_stands_connected() -> None:
    plain, lost = of_a_truck(), of_a_truck(line_lost=1.0, gateway_online=0.0)
    connected = of_a_truck(line_lost=0.0, gateway_online=1.0)
    back = of_a_truck(after_outage=1.0, quiet_minutes=1500.0)
    titles = {said.title for said in (plain, lost, connected, back)}
    assert len(titles) == 4
    assert "line broke off" in lost.observed
    assert "still connected" in connected.observed
    assert "still connected" not in plain.observed
    assert "25 h" in back.observed
    assert "plug to the truck's data" in connected.action


@pytest.mark.parametrize(
    ("more", "title", "place"),
    [
        ({DOWN_MINUTES: 6.0, REFUSED: 0.0}, "No connection to the message broker", "broker"),
        ({DOWN_MINUTES: 6.0, REFUSED: 1.0}, "The message broker refuses this machine", "login"),
        ({LOST: 6.0}, "The lines of the trucks broke off together", "mobile network"),
        ({LOST: 5.0}, "No data from any truck", "messages reach the broker"),
    ],
)
def test_a_general_silence_says_where_to_look(
    more: dict[str, float], title: str, place: str
) -> None:
    said = of_all(**more)
    assert said.title == title
    assert place in said.at_once
    assert "40 trucks for 6 min; 12 were moving" in said.observed


def test_what_an_earlier_version_kept_is_said_too() -> None:
    said = everybody_words({"quiet_minutes": 6.0, "trucks": 40.0}, METRIC)
    assert "some were moving" in said.observed
    assert "none was moving" in of_all(**{DOWN_MINUTES: 7.0, MOVING: 0.0}).observed


@pytest.mark.parametrize(
    "said",
    [
        of_a_truck(),
        of_a_truck(line_lost=1.0),
        of_a_truck(gateway_online=1.0),
        of_a_truck(after_outage=1.0),
        of_all(),
        of_all(**{LOST: 12.0}),
        of_all(**{DOWN_MINUTES: 6.0}),
        of_all(**{DOWN_MINUTES: 6.0, REFUSED: 1.0}),
    ],
)
def test_each_speaks_to_driver_and_shop_and_fits_a_text_message(said: Words) -> None:
    assert "while driving" in " ".join(said.driver)
    assert "manual" in " ".join(said.driver)
    assert "manual" in " ".join(said.technician)
    told = short("ALARM MEDIUM", "all trucks", "", said, [], act=True)
    assert spelt(said.at_once) in told
