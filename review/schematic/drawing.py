"""The drawing of each kind of circuit, with a title and a description for whoever cannot see it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from markupsafe import Markup, escape

from review.schematic.pen import Flow, Pen, Point
from review.schematic.scheme import Scheme

WIDTH, HEIGHT = 360, 322
_HOW_MUCH = {
    Flow.ALL: "flows",
    Flow.SOME: "a part",
    Flow.HARDLY: "hardly any",
    Flow.UNSURE: "not known",
}
_REST = {
    Flow.ALL: "none",
    Flow.SOME: "the rest",
    Flow.HARDLY: "nearly all",
    Flow.UNSURE: "not known",
}
_REST_FLOW = {
    Flow.ALL: Flow.HARDLY,
    Flow.SOME: Flow.SOME,
    Flow.HARDLY: Flow.ALL,
    Flow.UNSURE: Flow.UNSURE,
}
_VALVE = {"shut": "valve shut", "partly": "valve part open", "open": "valve open"}
_GEARBOX: Mapping[str, Point] = {
    "sump": (24, 213),
    "converter_out": (64, 122),
    "cooler_line": (108, 60),
}
"""Where the fluid's sensor sits."""
_SENSOR_FLAG: Mapping[str, Point] = {
    "sump": (92, 152),
    "converter_out": (92, 152),
    "cooler_line": (108, 90),
}


def drawn(scheme: Scheme, *, title: str, description: str, name: str = "circuit") -> Markup:
    """Draw a circuit; ``name`` begins the ids of its title and description."""
    pen = Pen()
    _LAYOUTS[scheme.circuit](pen, scheme)
    _gearbox(pen, scheme)
    _proven(pen, scheme)
    head = (
        f'<svg class="schematic" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
    )
    return Markup(f"{head}{''.join(pen.parts)}</svg>")  # noqa: S704 - all words are escaped


def _gearbox(pen: Pen, scheme: Scheme) -> None:
    pen.box(12, 122, 104, 108, kind="gearbox")
    pen.line("M30 152a16 16 0 1 0 32 0a16 16 0 1 0 -32 0M46 136v32M30 152h32")
    pen.line("M12 198h104", "level")
    pen.say((64, 188), "Gearbox", anchor="middle", strong=True)
    pen.say((74, 218), scheme.fluid or "not known", anchor="middle", strong=True)
    pen.dot(_GEARBOX[scheme.sensor])
    if scheme.suspect == "slip":
        pen.flag((46, 152))
    if scheme.suspect == "sensor":
        pen.flag(_SENSOR_FLAG[scheme.sensor])


def _proven(pen: Pen, scheme: Scheme) -> None:
    told = f"last proven {scheme.proven}" if scheme.proven else "never proven yet"
    pen.say((12, 316), f"Cooler flow {told}")


def _bypass(pen: Pen, scheme: Scheme) -> None:
    """Draw a thermal bypass valve that sends cold fluid straight back."""
    flow = scheme.to_sink
    pen.pipe((168, 76), (168, 268), flow=_REST_FLOW[flow])
    pen.pipe((184, 60), (272, 60), flow=flow)
    pen.pipe((311, 172), (311, 268), (64, 268), (64, 232), flow=flow, what="back")
    if flow in (Flow.HARDLY, Flow.SOME):
        pen.pipe((168, 268), (64, 268), (64, 232), flow=_REST_FLOW[flow])
    pen.pipe((64, 122), (64, 60), (152, 60), flow=_out(scheme))
    pen.valve((168, 60), scheme.valve, straight=True)
    _valve_words(pen, scheme, (168, 20), "middle")
    pen.say((228, 50), scheme.line_out, anchor="middle")
    pen.say((228, 82), _HOW_MUCH[flow], anchor="middle", strong=True)
    pen.say((178, 206), "past the cooler:")
    pen.say((178, 223), _REST[flow], strong=True)
    _air_cooler(pen, scheme, (272, 42), 78, 130)
    _return_word(pen, scheme, (222, 260))
    _flags(pen, scheme, {"shut": (144, 88), "open": (144, 88), "flow": (240, 104)})


def _full_flow(pen: Pen, scheme: Scheme) -> None:
    """Draw a circuit where everything always goes to the cooler."""
    flow = scheme.to_sink
    pen.pipe((311, 172), (311, 268), (64, 268), (64, 232), flow=flow, what="back")
    pen.pipe((64, 122), (64, 60), (272, 60), flow=flow)
    pen.say((160, 50), scheme.line_out, anchor="middle")
    pen.say((160, 82), _HOW_MUCH[flow], anchor="middle", strong=True)
    _air_cooler(pen, scheme, (272, 42), 78, 130)
    _return_word(pen, scheme, (190, 260))
    _flags(pen, scheme, {"flow": (226, 84)})


def _exchanger(pen: Pen, scheme: Scheme) -> None:
    """Draw a plate exchanger that the engine's coolant flows through, behind a valve or not."""
    fluid = Flow.SOME if scheme.suspect == "flow" else _out(scheme)
    coolant = scheme.to_sink if scheme.coolant_valve else _out(scheme)
    pen.pipe((262, 196), (236, 196), (236, 268), (64, 268), (64, 232), flow=fluid, what="back")
    pen.pipe((64, 122), (64, 100), (236, 100), (236, 146), (262, 146), flow=fluid)
    pen.box(262, 124, 86, 92, kind="exchanger")
    pen.line("M270 170l11 -14l11 28l11 -28l11 28l11 -28l14 14")
    pen.say((305, 144), "Exchanger", anchor="middle", strong=True)
    pen.pipe((305, 216), (305, 262), flow=coolant, what="coolant")
    pen.say((305, 282), "to the engine", anchor="middle")
    if scheme.coolant_valve:
        pen.pipe((305, 10), (305, 54), flow=_out(scheme), what="coolant")
        pen.pipe((305, 86), (305, 124), flow=coolant, what="coolant")
        pen.valve((305, 70), scheme.valve, straight=False)
        _valve_words(pen, scheme, (282, 56), "end")
    else:
        pen.pipe((305, 10), (305, 124), flow=coolant, what="coolant")
    pen.say((290, 22), f"coolant {scheme.coolant or 'not known'}", anchor="end")
    pen.say((150, 90), scheme.line_out, anchor="middle")
    pen.say((150, 120), _HOW_MUCH[fluid], anchor="middle", strong=True)
    _return_word(pen, scheme, (160, 260))
    places = {"shut": (334, 88), "open": (334, 88), "low": (332, 200), "flow": (212, 124)}
    _flags(pen, scheme, places)


def _tank(pen: Pen, scheme: Scheme) -> None:
    """Draw a tank in the radiator, alone or before an air cooler."""
    flow = scheme.to_sink
    if scheme.air_cooler:
        pen.pipe((140, 254), (64, 254), (64, 232), flow=flow, what="back")
        pen.pipe((250, 180), (234, 180), (234, 254), (220, 254), flow=flow, what="back")
        _air_cooler(pen, scheme, (140, 214), 80, 68, below=True)
    else:
        pen.pipe(
            (250, 180), (234, 180), (234, 268), (64, 268), (64, 232), flow=flow, what="back"
        )
    pen.box(250, 36, 98, 170, kind="radiator")
    pen.box(250, 36, 26, 170, kind="tank")
    pen.line("M263 60V180", "tube")
    pen.line("".join(f"M{x} 60V182" for x in range(286, 346, 10)))
    pen.pipe((64, 122), (64, 60), (250, 60), flow=flow)
    pen.say((299, 28), "Radiator", anchor="middle", strong=True)
    pen.say((299, 224), f"coolant {scheme.coolant or 'not known'}", anchor="middle")
    pen.say((156, 50), scheme.line_out, anchor="middle")
    pen.say((156, 82), _HOW_MUCH[flow], anchor="middle", strong=True)
    if not scheme.air_cooler:
        _return_word(pen, scheme, (150, 260))
    _flags(pen, scheme, {"flow": (216, 86), "low": (312, 120), "air": (180, 200)})


def _out(scheme: Scheme) -> Flow:
    """Say what leaves the gearbox: all, once anything of it is known."""
    return Flow.ALL if scheme.judged else Flow.UNSURE


def _air_cooler(
    pen: Pen, scheme: Scheme, at: Point, width: float, height: float, *, below: bool = False
) -> None:
    """Draw a cooler in the outside air: plates, or a tube with fins."""
    x, y = at
    pen.box(x, y, width, height, kind="cooler")
    if scheme.cooler == "stacked_plate":
        rows = range(int(y) + 12, int(y + height) - 4, 12)
        pen.line("".join(f"M{x + 8:g} {row}h{width - 16:g}" for row in rows))
    else:
        columns = range(int(x) + 10, int(x + width) - 4, 9)
        pen.line("".join(f"M{column} {y + 8:g}v{height - 16:g}" for column in columns))
        pen.line(
            f"M{x + 6:g} {y + height * 0.35:g}h{width - 12:g}v{height * 0.3:g}h-{width - 12:g}",
            "tube",
        )
    air = f"air {scheme.air or 'not known'}"
    middle = x + width / 2
    if below:
        pen.say((middle, y + height + 16), air, anchor="middle")
    else:
        for each in (x + 10, x + width - 10):
            pen.line(f"M{each:g} 22v13m-4 -5l4 5l4 -5", "airflow")
        pen.say((middle, 16), air, anchor="middle")
        pen.line(
            f"M{x + 6:g} {y + height / 2 - 12:g}h{width - 12:g}v20h-{width - 12:g}z", "plate"
        )
        pen.say((middle, y + height / 2 + 3), "Cooler", anchor="middle", strong=True)
        if scheme.suspect in ("air", "low"):
            pen.flag((middle, y + height - 22))


def _valve_words(pen: Pen, scheme: Scheme, at: Point, anchor: str) -> None:
    x, y = at
    pen.say((x, y), _VALVE.get(scheme.valve, "valve: not sure"), anchor=anchor, strong=True)
    if scheme.valve in _VALVE:
        pen.say((x, y + 16), f"{scheme.valve_sure} likely", anchor=anchor)


def _return_word(pen: Pen, scheme: Scheme, at: Point) -> None:
    if scheme.line_return:
        pen.say(at, f"back {scheme.line_return}", anchor="middle")


def _flags(pen: Pen, scheme: Scheme, places: Mapping[str, Point]) -> None:
    if scheme.suspect in places:
        pen.flag(places[scheme.suspect])


_LAYOUTS: Mapping[str, Callable[[Pen, Scheme], None]] = {
    "thermostatic_bypass": _bypass,
    "full_flow": _full_flow,
    "coolant_exchanger": _exchanger,
    "radiator_tank": _tank,
}
