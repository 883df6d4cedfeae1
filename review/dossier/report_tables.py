"""The tables of a report: heads, rows, widths, and which columns hold numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from alerts.alarm import Event
from alerts.destination import channel_of, person_of
from alerts.teller import Teller
from models.hypotheses import HEALTHY
from models.units import KM_PER_MILE
from review import what_if_words
from review.alarm_words import EVENTS
from review.dossier.cause_words import cause_name, for_and_against
from review.dossier.facts import AlarmStory, Dossier
from review.dossier.pen import Pen, likely
from review.dossier.timeline import timeline
from review.entry_words import KIND_WORDS, details

Made = tuple[Sequence[str], Sequence[Sequence[str]], Sequence[float], Sequence[int]]

MOST_EXCURSIONS, MOST_ALARMS = 20, 60
"""Rows of a table on paper at most; the package has all [-]."""


def identity_rows(found: Dossier, pen: Pen, sha256: str, number: str) -> list[tuple[str, str]]:
    """Say which truck this is, which time, and by what data."""
    span, truck = found.span, found.truck
    replaced = ""
    if span.replaced_ms is not None:
        replaced = f"; by the record the gearbox was replaced at {pen.moment(span.replaced_ms)}"
    fill = "" if span.dated else " (nobody has said; the first sample)"
    return [
        ("Document", number),
        (
            "Truck",
            found.vehicle
            if found.title == found.vehicle
            else f"{found.vehicle}, {found.title}",
        ),
        (
            "Circuit",
            (
                f"{truck.circuit.replace('_', ' ')}, {truck.cooler.replace('_', ' ')} cooler, class "
                f"{truck.thermal_class}, sensor in {truck.sensor.replace('_', ' ')}"
            ),
        ),
        ("Fluid", f"{truck.fluid}, {pen.amount(truck.fluid_total_l)} in all"),
        ("This fill", f"since {pen.moment(span.fill_ms)}{fill}"),
        ("Looked at", f"{pen.moment(span.first_ms)} to {pen.moment(span.last_ms)}{replaced}"),
        ("Minute by minute", f"from {pen.moment(span.close_ms)} on"),
        ("Times, units", f"{pen.zone(span.until_ms)}; SI inside, both units written"),
        ("Data", f"{found.samples:,} samples; SHA-256 {sha256}"),
        (
            "Made by",
            f"Heatbook {found.basis.software_version}, models {found.basis.model_version}",
        ),
    ]


def timeline_table(found: Dossier, pen: Pen, teller: Teller) -> Made:
    """List what happened by time."""
    lines = timeline(found, pen, lambda alarm: teller.say(alarm).title)
    rows = [(pen.stamp(each.time_ms), each.text) for each in lines]
    return (("When", "What"), rows, (1.0, 4.6), ())


def no_causes(found: Dossier) -> str:
    """Say why there is no table of causes."""
    if found.departure is not None:
        return "What left its healthy behaviour was not found by the balance of heat; see its own alarm."
    if not found.judged:
        return "Nothing was weighed: the circuit could not be judged from what was sent."
    return "Nothing left this truck's healthy behaviour: there is no cause to rank."


def cause_table(found: Dossier) -> Made:
    """Rank the causes, with the numbers of the clues for and against each."""
    rows = []
    for each in found.causes:
        speaks, denies = for_and_against(found, each.place)
        name = cause_name(found, each.place)
        rows.append(
            (
                name[:1].upper() + name[1:],
                likely(each.first),
                likely(each.highest),
                likely(each.last),
                "" if each.place == HEALTHY else _numbers(speaks),
                _numbers(denies),
            )
        )
    heads = ("Cause", "When first sure", "Highest", "At last", "Clues for", "Clues against")
    return (heads, rows, (3.2, 1.0, 0.9, 0.9, 0.9, 1.0), (1, 2, 3))


def _numbers(places: Sequence[int]) -> str:
    return ", ".join(map(str, places)) or "–"


def duty_lines(found: Dossier, pen: Pen) -> list[str]:
    """Say what of the heat was load, and what was not."""
    duty = found.duty
    if not math.isfinite(duty.share) or not math.isfinite(duty.healthy_hottest_c):
        return ["What the same work would have cost with a healthy circuit is not known."]
    said = [
        (
            "Load or fault: in the days before the end, a healthy circuit would have been brought to "
            f"{pen.degrees(duty.healthy_hottest_c)} by the same work (measured: "
            f"{pen.degrees(duty.hottest_c)}). Of the ageing measured then, {pen.life(min(1.0, duty.share))} "
            "is the work's own; the rest came on top."
        )
    ]
    if math.isfinite(duty.heat_kw) and math.isfinite(duty.usual_kw):
        said.append(
            f"Heat made while above the limit: {duty.heat_kw:.0f} kW on average; while driving otherwise "
            f"{duty.usual_kw:.0f} kW."
        )
    return said


def account_rows(found: Dossier, pen: Pen) -> list[tuple[str, str]]:
    """Write the account of the fill."""
    account, basis = found.account, found.basis
    total_s = max(1e-9, basis.measured_s + basis.soaked_s + basis.unseen_s)
    return [
        (
            "Life used at the end",
            (
                f"{pen.life(account.life_used)} (8 in 10: {pen.life(account.life_low)} to "
                f"{pen.life(account.life_high)}); 0% fresh, 100% due"
            ),
        ),
        (
            "Of its ageing by heat",
            (
                f"{pen.life(basis.measured_s / total_s)} measured, {pen.life(basis.soaked_s / total_s)} "
                "parked hot "
                f"(estimated), {pen.life(basis.unseen_s / total_s)} unseen (estimated)"
            ),
        ),
        ("Mean kinetic temperature", pen.degrees(account.mean_kinetic_temp_c)),
        ("Hottest reading", pen.degrees(account.hottest_c)),
        (
            "Seen, unseen, parked",
            (
                f"{pen.hours(account.seen_hours)}, {pen.hours(account.unseen_hours)}, "
                f"{pen.hours(account.parked_hours)}"
            ),
        ),
        (
            "Distance on this fill",
            f"{pen.length(account.distance_km)}, of which unseen {pen.length(account.unseen_km)}",
        ),
    ]


def excursion_table(found: Dossier, pen: Pen) -> Made | None:
    """Rank the times above the limit by the life they used."""
    if not found.excursions:
        return None
    rows = [
        (
            str(rank),
            pen.stamp(each.start_ms) + ("" if each.this_fill else " (earlier fill)"),
            pen.lasting(each.above_s),
            pen.degrees(each.peak_c),
            pen.degrees(each.healthy_peak_c),
            pen.life(each.life),
            likely(each.p_fault),
        )
        for rank, each in enumerate(found.excursions[:MOST_EXCURSIONS], 1)
    ]
    rest = found.excursions[MOST_EXCURSIONS:]
    if rest:
        rows.append(
            (
                "",
                f"and {len(rest)} more",
                pen.lasting(sum(each.above_s for each in rest)),
                "",
                "",
                pen.life(sum(each.life for each in rest)),
                "",
            )
        )
    heads = ("", "From", "Above", "Peak", "Healthy", "Life used", "A fault")
    return (heads, rows, (0.35, 1.7, 0.9, 1.6, 1.6, 1.0, 0.9), (2, 3, 4, 5, 6))


def level_table(found: Dossier, pen: Pen) -> Made:
    """Write the time above each temperature."""
    rows = [
        (pen.degrees(each.celsius), each.name, pen.hours(each.hours), pen.life(each.aged))
        for each in found.levels
    ]
    heads = ("Above", "What it is", "Time", "Share of the measured ageing")
    return (heads, rows, (1.5, 2.6, 1.0, 1.6), (2, 3))


def alarm_table(found: Dossier, pen: Pen, teller: Teller) -> Made | None:
    """List the alarms with who was told and who answered."""
    if not found.alarms:
        return None
    kept = sorted(found.alarms, key=lambda each: (-each.alarm.priority, -each.alarm.onset_ms))
    shown = sorted(kept[:MOST_ALARMS], key=lambda each: each.alarm.onset_ms)
    rows = [
        (
            pen.stamp(each.alarm.raised_ms),
            each.alarm.priority.name.lower(),
            teller.say(each.alarm).title
            + (" (withdrawn later)" if each.alarm.withdrawn else ""),
            told(each, pen),
            answered(each, pen),
        )
        for each in shown
    ]
    heads = ("Raised", "Priority", "Alarm", "Told", "Answered by")
    return (heads, rows, (1.25, 0.7, 2.0, 1.2, 2.8), ())


def told(story: AlarmStory, pen: Pen) -> str:
    """Say who was told, and when first; and that it came to light late."""
    reached: dict[str, int] = {}
    for each in story.tries:
        if each.outcome == "delivered":
            who = person_of(each.destination) or channel_of(each.destination)
            reached.setdefault(who, each.time_ms)
    said = [f"{who} {pen.stamp(time_ms)[5:]}" for who, time_ms in reached.items()]
    if story.alarm.late:
        said.append(f"known only at {pen.stamp(story.alarm.first_seen_ms)[5:]}")
    return "; ".join(said) or "nobody"


def answered(story: AlarmStory, pen: Pen) -> str:
    """Say who did what about it."""
    said = []
    for each in story.happenings:
        if each.by and each.event is not Event.RAISE:
            comment = f" “{each.comment}”" if each.comment else ""
            said.append(
                f"{each.by}: {EVENTS.get(each.event, each.event.value)} "
                f"{pen.stamp(each.time_ms)[5:]}{comment}"
            )
    return "; ".join(said) or "nobody"


def record_table(found: Dossier, pen: Pen) -> Made | None:
    """List the service record, superseded entries too."""
    if not found.record:
        return None
    rows = []
    for each in sorted(found.record, key=lambda entry: (entry.time_ms, entry.id or 0)):
        counts = each.id in found.counting
        said = ", ".join(part for part in (details(each, pen), each.note) if part)
        rows.append(
            (
                pen.stamp(each.time_ms),
                KIND_WORDS[each.kind],
                said,
                f"{each.who}, {pen.stamp(each.entered_ms)}",
                "yes" if counts else "no: superseded, struck out or not taken in",
            )
        )
    return (
        ("When", "What", "Details", "Entered by", "Counts"),
        rows,
        (1.3, 1.1, 2.4, 1.7, 1.2),
        (),
    )


def what_if_table(found: Dossier, pen: Pen) -> Made | None:
    """Write what changes would have meant."""
    if found.what_if is None:
        return None
    rows = [
        tuple(cell.replace("\n", " (", 1) + ")" if "\n" in cell else cell for cell in row)
        for row in (what_if_words.row(each, pen.units) for each in found.what_if.found.outcomes)
    ]
    rows.insert(1, _healthy_row(found, pen))
    above = f"Above {pen.units.degrees(found.what_if.limit_c)}"
    heads = ("Change", "Hottest", above, "Life used", "Compared")
    return (heads, rows, (1.4, 1.5, 1.6, 1.6, 1.5), ())


def _healthy_row(found: Dossier, pen: Pen) -> tuple[str, ...]:
    """Write what the same work would have meant for a sound valve and cooler, by the healthy model."""
    duty = found.duty
    if not math.isfinite(duty.share):
        return ("sound circuit", pen.units.degrees(duty.healthy_hottest_c), "–", "–", "–")
    life = duty.healthy_cost_s * found.basis.scale / found.basis.fluid.reference_life_s
    gain = 1.0 - duty.share
    return (
        "sound circuit",
        pen.units.degrees(duty.healthy_hottest_c),
        what_if_words.hours(duty.healthy_over_h),
        f"{life:.2%}, while driven",
        "no difference"
        if abs(gain) < 0.03
        else f"{abs(gain):.0%} {'less' if gain > 0 else 'more'}",
    )


def what_if_lines(found: Dossier, pen: Pen) -> list[str]:
    """Say what these figures rest on, and what to mind."""
    if found.what_if is None:
        return []
    remarks = [
        each.replace("the second line of a cell", "the brackets")
        for each in what_if_words.remarks(found.what_if, pen.units)
        if "heatbook fleet show" not in each
    ]
    sound = (
        "A sound circuit: this truck's healthy model run on without learning from where it was last trusted, "
        "through the same work; it is what is drawn as the healthy band. No band is given for it."
    )
    return [sound, *remarks, *what_if_words.cautions(found.what_if)]


def basis_rows(found: Dossier, pen: Pen) -> list[tuple[str, str]]:
    """Write the parameters that held."""
    basis, fluid = found.basis, found.basis.fluid
    law = (
        f"its life chart of {len(fluid.chart)} points"
        if fluid.chart
        else f"Arrhenius, {fluid.activation_energy_j_mol / 1000:.1f} ± "
        f"{fluid.activation_energy_sd_j_mol / 1000:.1f} kJ/mol"
    )
    return [
        ("Fluid's law", law),
        (
            "Life at reference",
            (
                f"{fluid.reference_life_s / 3600:,.0f} h at {pen.degrees(fluid.reference_temp_c)}, one "
                f"standard deviation a factor of {fluid.life_spread:.2f}; by laboratory samples × "
                f"{1.0 / basis.scale:.2f} "
                f"({basis.lab_samples} of them)"
            ),
        ),
        (
            "Beyond due",
            (
                f"{fluid.oxidation_factor:.1f} times as fast, with {fluid.antioxidant_at_end:.0%} of "
                "the antioxidant left"
            ),
        ),
        (
            "Limits",
            (
                f"{pen.degrees(found.limits.limit_c)} highest allowed, {pen.degrees(found.limits.high_c)} "
                "high, "
                f"{pen.degrees(found.limits.critical_c)} critical"
            ),
        ),
        (
            "Valve",
            (
                f"begins to open at {pen.degrees(found.truck.valve_open_c)}, fully open at "
                f"{pen.degrees(found.truck.valve_full_c)}"
            ),
        ),
        ("Longest span that counts as seen", f"{basis.max_gap_s:.0f} s"),
        ("A moving truck is silent after", f"{basis.silent_after_s:.0f} s"),
        (
            "False alarms allowed",
            f"{basis.false_alarms_per_h:.1e} an hour of driving",
        ),
        (
            "Learned of this truck",
            (
                f"heat × {basis.heat_scale:.2f}, cooler × {basis.cooler_scale:.2f} of its class, valve "
                f"{basis.valve_shift_k:+.1f} K; cools when parked in {basis.time_constant_s / 3600:.1f} h "
                "(time constant)"
            ),
        ),
        ("Judged", f"{pen.hours(found.judged_h)} of driving in all"),
        ("A mile, a kelvin", f"{KM_PER_MILE} km; 1 K is 1.8 °F; °F = °C × 1.8 + 32"),
    ]
