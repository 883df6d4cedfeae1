"""What is not known, and how the figures came about, in plain words."""

from __future__ import annotations

from collections.abc import Iterator

from review.dossier.departure import BEYOND_SD, OVER_BELOW
from review.dossier.facts import Dossier
from review.dossier.pen import Pen

LIMITS_OF_IT = (
    "This is an account by model from what the truck's gateway sent. It is no laboratory proof and no "
    "finding by somebody who opened the gearbox; both come before it, and so do the maker's manual and "
    "the terms of the warranty."
)


def not_known(found: Dossier, pen: Pen) -> Iterator[str]:
    """Say what is missing, what came of it where that is known."""
    yield from _unseen(found, pen)
    yield from _assumed(found, pen)
    for start_ms, end_ms in found.unknown.silences:
        yield (
            f"The gateway was silent from {pen.moment(start_ms)} to {pen.moment(end_ms)} while "
            "the truck moved."
        )
    yield from _signals(found)
    yield from _sight(found, pen)
    yield from _left_out(found, pen)
    if found.account.nights == 0 and found.account.faulty_nights == 0:
        yield "No cold night has checked the fluid's sensor: it may read a few degrees high or low."


def _unseen(found: Dossier, pen: Pen) -> Iterator[str]:
    unknown = found.unknown
    missed = [pen.length(unknown.unseen_km)] if unknown.unseen_km > 0.5 else []
    missed += [pen.hours(unknown.unseen_h)] if unknown.unseen_h > 0.05 else []
    if missed:
        share = found.basis.unseen_s / max(1e-9, _all_s(found))
        yield (
            f"Unseen: {' and '.join(missed)} of this fill's work came without data (by the odometer, "
            "what was driven before the first sample too). Costed by the truck's own habits, that is "
            f"{pen.life(share)} of the ageing by heat in this account; it may be off by half or more."
        )


def _assumed(found: Dossier, pen: Pen) -> Iterator[str]:
    if found.basis.carried > 0.0:
        yield (
            f"Of the life used, {pen.life(found.basis.carried)} the fluid had brought along, as "
            "somebody has entered it."
        )
    if not found.span.dated:
        yield "When the fill went in nobody has said: it is counted as new from the first sample."
    if not found.truck.registered:
        yield (
            "This truck is in neither the fleet file nor the record: circuit, class and fluid are "
            "assumed."
        )
    if found.basis.lab_samples == 0:
        yield (
            "No laboratory sample of this fluid was entered: how long it lasts is known by its chart "
            "alone."
        )


def _left_out(found: Dossier, pen: Pen) -> Iterator[str]:
    unknown = found.unknown
    if unknown.doubted_h > 0.0:
        yield (
            f"For {pen.hours(unknown.doubted_h)} of those days the fluid's sensor was itself in doubt."
        )
    if unknown.missing:
        yield f"By the gateway's own counter {unknown.missing:,} samples never came."
    if unknown.refused:
        yield (
            f"{unknown.refused:,} messages or values of this truck stand in quarantine and count "
            "nowhere."
        )
    if unknown.later:
        yield (
            "Samples that came after the end are not counted, nor is what a laboratory or a person "
            "found later."
        )


def _all_s(found: Dossier) -> float:
    return found.basis.measured_s + found.basis.soaked_s + found.basis.unseen_s


def _signals(found: Dossier) -> Iterator[str]:
    for name, share in found.unknown.absent.items():
        missing = "was never sent" if share >= 1.0 else "was hardly ever sent"
        yield f"{name[:1].upper()}{name[1:]} {missing} in the days before the end."


def _sight(found: Dossier, pen: Pen) -> Iterator[str]:
    unknown = found.unknown
    if unknown.driven_h > 0.0 and unknown.blind_h > 0.05 * unknown.driven_h:
        yield (
            f"In {pen.hours(unknown.blind_h)} of {pen.hours(unknown.driven_h)} driven in the days "
            "before the end the circuit could not be judged: cold fluid or a light load looks the same "
            "with a fault and without."
        )
    if unknown.learned < 0.9:
        yield (
            f"This truck's own values were learned to {100 * unknown.learned:.0f}%; the rest is taken "
            "from its class."
        )


def method(found: Dossier, pen: Pen) -> Iterator[str]:
    """Say how the figures came about: what is measured, what estimated."""
    basis = found.basis
    yield (
        f"Measured: temperatures, speeds and loads as the gateway sent them ({found.samples:,} "
        f"samples). Between two readings at most {basis.max_gap_s:.0f} s apart the inverse of the "
        "absolute temperature is taken to run straight; longer gaps count as unseen, never as zero."
    )
    yield (
        "Computed: life used is the time-integral of the fluid's rate of ageing (Arrhenius' law, or "
        "its life chart) over its life at the reference temperature; the mean kinetic temperature is "
        "that of the pharmacopoeias, with an activation energy over R of 10 000 K."
    )
    yield (
        "Estimated: ageing while parked hot, by cooling towards the outside air; ageing while nobody "
        "saw the truck run, by its own habits; the state of valve and cooler, by filters that run the "
        "circuit's physics under each cause side by side and weigh how well each foretold the fluid."
    )
    yield (
        "The first moment: a departure begins with an alarm of a fault, where the evidence has passed what "
        f"the rate of false alarms allows ({basis.false_alarms_per_h:.1e} an hour of driving). From there it "
        "is followed back. What a healthy circuit would show is that truck's own healthy model, run on "
        "without learning from the last moment it was trusted; the truck has left it from where on, up to "
        f"the alarm, the fluid lies more than {BEYOND_SD:.0f} standard deviations off. It is over when the "
        f"probability of a fault falls below {100 * OVER_BELOW:.0f}%. Probabilities are the model's own: "
        "right only where its physics is."
    )
    yield (
        "Times above the limit are ranked by the life they used, from the first reading above it to "
        f"the last; dips of less than {pen.difference(3.0)} do not end one."
    )
