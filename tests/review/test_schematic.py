"""The drawing of a circuit: one for each that is known, none with a part that the circuit has not."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from typing import Any, get_args
from xml.etree.ElementTree import Element, fromstring

import pytest

from models.fleet import FITTINGS, Circuit, Cooler, Sensor, Vehicle
from models.hypotheses import HEALTHY, NAMES, possible
from models.units import METRIC, US
from review.board_row import TruckLive, Valve, has_valve, opening_word
from review.circuit_standing import CircuitStanding
from review.schematic.drawing import HEIGHT, WIDTH, drawn
from review.schematic.pen import Flow
from review.schematic.scheme import scheme_of
from review.schematic.words import circuit_told, kind_of
from tests.review.test_attention import circuit, signals, truck

SVG = "{http://www.w3.org/2000/svg}"
FITTED: dict[str, list[dict[str, Any]]] = {
    kind: [{}, *({name: True} for name, needed in FITTINGS.items() if needed == kind)]
    for kind in get_args(Circuit)
}
CIRCUITS = [
    replace(Vehicle(name="NF-03", circuit=kind, cooler=cooler), **fitted)
    for kind in get_args(Circuit)
    for cooler in get_args(Cooler)
    for fitted in FITTED[kind]
]


def causes_of(vehicle: Vehicle) -> tuple[str, ...]:
    places = possible(
        vehicle.circuit, coolant_valve=vehicle.coolant_valve, air_cooler=vehicle.air_cooler
    )
    return tuple(NAMES[place] for place in places)


def standing(vehicle: Vehicle, likely: str) -> CircuitStanding:
    rest = [name for name in causes_of(vehicle) if name != likely]
    causes = {likely: 0.9, **{name: 0.1 / len(rest) for name in rest}}
    return replace(circuit(causes), proven_ms=1_781_600_000_000)


def valve(word: str, odds: float = 0.95) -> Valve:
    shares = {"shut": 0.015, "partly": 0.5, "open": 1.0}
    rest = [other for other in shares if other != word]
    return Valve(
        odds={word: odds, **dict.fromkeys(rest, (1.0 - odds) / 2.0)},
        share=shares[word],
        healthy_share=1.0,
    )


def seen(vehicle: Vehicle, likely: str = "healthy", word: str = "open") -> TruckLive:
    return truck(
        vehicle=vehicle,
        circuit_standing=standing(vehicle, likely),
        valve=valve(word) if has_valve(vehicle) else None,
        signals=replace(
            signals(moving=True), fluid_c=94.2, line_out_c=93.0, air_c=32.6, coolant_c=86.0
        ),
    )


def picture(of: TruckLive) -> Element:
    text = drawn(
        scheme_of(of, METRIC),
        title=f"Circuit of {of.name}",
        description=" ".join(circuit_told(of, METRIC)),
    )
    return fromstring(str(text).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))  # noqa: S314 - our own


def words(of: Element) -> list[str]:
    return [each.text or "" for each in of.iter(f"{SVG}text")]


def of_class(of: Element, name: str) -> list[Element]:
    return [each for each in of.iter() if name in (each.get("class") or "").split()]


@pytest.mark.parametrize("vehicle", CIRCUITS, ids=lambda each: f"{each.circuit}-{each.cooler}")
def test_every_circuit_has_a_drawing_that_can_be_read_out(vehicle: Vehicle) -> None:
    found = picture(seen(vehicle))
    title, description = found.find(f"{SVG}title"), found.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert title.text == "Circuit of NF-03"
    assert "Fluid 94 °C" in (description.text or "")
    assert found.get("role") == "img"
    assert found.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert any(text.startswith("Cooler flow last proven") for text in words(found))


@pytest.mark.parametrize("vehicle", CIRCUITS, ids=lambda each: f"{each.circuit}-{each.cooler}")
def test_a_circuit_without_a_valve_draws_none(vehicle: Vehicle) -> None:
    found = picture(seen(vehicle))
    drawn_valves = of_class(found, "sc-valve")
    assert len(drawn_valves) == (1 if has_valve(vehicle) else 0)
    assert any("valve" in text for text in words(found)) == has_valve(vehicle)
    never = picture(truck(vehicle=vehicle, circuit_standing=None, signals=None, last_ms=None))
    assert len(of_class(never, "sc-valve")) == len(drawn_valves)


@pytest.mark.parametrize("vehicle", CIRCUITS, ids=lambda each: f"{each.circuit}-{each.cooler}")
def test_every_fault_that_a_circuit_can_have_is_marked_in_its_drawing(vehicle: Vehicle) -> None:
    for name in causes_of(vehicle):
        flags = of_class(picture(seen(vehicle, name)), "sc-flag")
        assert len(flags) == (0 if name == NAMES[HEALTHY] else 1), name


@pytest.mark.parametrize("vehicle", CIRCUITS, ids=lambda each: f"{each.circuit}-{each.cooler}")
def test_nothing_is_drawn_beyond_the_edge(vehicle: Vehicle) -> None:
    for sensor, name in product(get_args(Sensor), causes_of(vehicle)):
        found = picture(seen(replace(vehicle, sensor=sensor), name, "shut"))
        for each in found.iter(f"{SVG}path"):
            for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", each.get("d") or ""):
                assert 0.0 <= float(x) <= WIDTH
                assert 0.0 <= float(y) <= HEIGHT
        for each in found.iter(f"{SVG}text"):
            assert 0.0 <= float(each.get("x") or "nan") <= WIDTH
            assert 0.0 <= float(each.get("y") or "nan") <= HEIGHT


@pytest.mark.parametrize(
    ("word", "flow", "told"),
    [
        ("open", Flow.ALL, "flows"),
        ("partly", Flow.SOME, "a part"),
        ("shut", Flow.HARDLY, "hardly any"),
    ],
)
def test_a_pipe_says_how_much_flows_by_width_and_by_word(
    word: str, flow: Flow, told: str
) -> None:
    found = picture(seen(Vehicle(name="NF-03"), word=word))
    assert told in words(found)
    assert of_class(found, f"sc-{flow.value}")


def test_a_valve_of_which_nobody_is_sure_is_drawn_so() -> None:
    unsure = replace(seen(Vehicle(name="NF-03")), valve=valve("open", odds=0.6))
    assert "valve: not sure" in words(picture(unsure))
    assert scheme_of(unsure, METRIC).to_sink is Flow.UNSURE


def test_the_words_say_what_the_picture_shows() -> None:
    told = " ".join(circuit_told(seen(Vehicle(name="NF-03"), "shut", "shut"), US))
    assert "Fluid 202 °F by the sensor in the sump" in told
    assert "most likely shut (95%): hot fluid goes back to the gearbox, past the cooler" in told
    assert "A healthy one would be 100% open now" in told
    assert "bypass valve stuck, nothing reaches the cooler (90%)" in told
    fine = " ".join(circuit_told(seen(Vehicle(name="NF-03")), METRIC))
    assert "where a healthy one would be now" in fine
    assert "Suspected" not in fine
    without = " ".join(circuit_told(seen(Vehicle(name="NF-02", circuit="full_flow")), METRIC))
    assert "has no valve" in without


def test_a_truck_that_was_never_heard_shows_no_flow_as_known() -> None:
    never = truck(circuit_standing=None, signals=None, last_ms=None)
    found = picture(never)
    assert not of_class(found, "sc-all")
    assert "Cooler flow never proven yet" in words(found)
    assert circuit_told(never, METRIC)[0] == "Nothing was heard of this truck yet."


def test_words_in_the_drawing_are_escaped() -> None:
    text = drawn(
        scheme_of(seen(Vehicle(name="NF-03")), METRIC), title="<b>", description='"&<script>'
    )
    assert "<b>" not in text
    assert "<script>" not in text


def test_every_circuit_has_words() -> None:
    kinds = {kind_of(truck(vehicle=vehicle)) for vehicle in CIRCUITS}
    assert len(kinds) == 2 + 2 + 1 + 1 + 1 + 2  # two coolers where one is in the air; fittings


@pytest.mark.parametrize(("share", "word"), [(0.0, "shut"), (0.5, "partly"), (1.0, "open")])
def test_an_opening_has_a_word(share: float, word: str) -> None:
    assert opening_word(share) == word
