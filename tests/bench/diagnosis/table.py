"""The scores as a table for people (Markdown)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from tests.bench.diagnosis.calibration import Calibration
from tests.bench.diagnosis.measure import DETECTORS, JUDGES
from tests.bench.diagnosis.report import NEW_DAYS, Report
from tests.bench.diagnosis.score import NONE, FalseAlarms, Row, Share


def table(report: Report) -> str:
    """Write all scores of a run."""
    parts = (
        _targets(report),
        _found(report),
        _judges(report),
        _confusion(report),
        _false_alarms(report),
        _stated(report.stated),
        _by_alarm(report),
    )
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _head(cells: Sequence[str]) -> Iterator[str]:
    yield _line(cells)
    yield "|" + "---|" * len(cells)


def _targets(report: Report) -> Iterator[str]:
    yield from _head(("asked", "measured", "met"))
    words = {True: "yes", False: "no", None: "not known"}
    for target in report.targets:
        yield _line((target.asked, target.measured, words[target.met]))


def _found(report: Report) -> Iterator[str]:
    yield (
        "Detectors. Detected: any alarm that accuses circuit or sensor; named, less exact, wrong: "
        "of those. Delay: running time from where the fault shows in the physics, of those "
        "detected; negative where the alarm came first. 95 % intervals in brackets."
    )
    yield ""
    yield from _head(
        (
            "fault",
            "shown",
            "not shown",
            "detected",
            "gradual ones",
            "plain ones",
            "named first",
            "less exact",
            "wrong",
            "delay, median",
            "p95",
            "after plain",
            "in 3 drives",
            "in 2 loaded",
            "before 5 min > 130 °C",
        )
    )
    for row in report.rows[DETECTORS]:
        yield _line(_row(row))


def _row(row: Row) -> tuple[str, ...]:
    return (
        row.label,
        str(row.detected.of),
        str(row.unseen),
        _with_interval(row.detected),
        _share(row.gradual),
        _share(row.plain),
        _share(row.named),
        _share(row.less_exact),
        _share(row.wrong),
        _minutes(row.delay_median_s),
        _minutes(row.delay_p95_s),
        _minutes(row.delay_plain_s),
        _share(row.within_3_drives),
        _share(row.within_2_loaded),
        _share(row.before_hot),
    )


def _judges(report: Report) -> Iterator[str]:
    yield "Detected, with the median delay, beside two judges of the temperature alone:"
    yield ""
    yield from _head(("fault", *JUDGES))
    by_judge = {judge: {row.label: row for row in rows} for judge, rows in report.rows.items()}
    for label in by_judge[JUDGES[-1]]:
        rows = (by_judge[judge][label] for judge in JUDGES)
        yield _line(
            (
                label,
                *(f"{_share(row.detected)}, {_minutes(row.delay_median_s)}" for row in rows),
            )
        )


def _confusion(report: Report) -> Iterator[str]:
    found = report.confusion
    columns = sorted({kind for row in found.values() for kind in row} - {NONE})
    yield "First alarm since the fault began, of faults that showed, and of healthy trucks:"
    yield ""
    yield from _head(("truth", *columns, NONE))
    labels = ["", *(row.label for row in report.rows[JUDGES[-1]] if row.label in found)]
    for label in labels:
        counts: Mapping[str, int] = found.get(label, {})
        yield _line(
            (
                label or "healthy",
                *(str(counts.get(column, 0) or "-") for column in (*columns, NONE)),
            )
        )


def _false_alarms(report: Report) -> Iterator[str]:
    some = report.false_alarms[DETECTORS]
    yield (
        f"False alarms in {some.days / 365.0:.1f} truck-years ({some.running_h:,.0f} driving "
        "hours) without a fault; at most: 95 % bound of the rate:"
    )
    yield ""
    yield from _head(("judge", "count", "a truck-year", "at most", "a driving hour", "kinds"))
    for judge in JUDGES:
        yield _line((judge, *_rates(report.false_alarms[judge])))
    if report.of_known.days:
        yield _line((f"of trucks in their first {NEW_DAYS} days", *_rates(report.of_new)))
        yield _line((f"of trucks known for {NEW_DAYS} days", *_rates(report.of_known)))
    yield _line(("over_temperature (duty)", *_rates(report.too_hot)))


def _rates(alarms: FalseAlarms) -> tuple[str, ...]:
    return (
        str(alarms.count),
        _number(alarms.per_year, ".2f"),
        _number(alarms.per_year_most, ".2f"),
        _number(alarms.per_hour, ".5f"),
        ", ".join(f"{kind} {count}" for kind, count in alarms.by_kind.most_common()) or "-",
    )


def _stated(stated: Calibration) -> Iterator[str]:
    yield (
        "Probability held of any fault of the circuit, asked every ten minutes of driving, where "
        "the circuit is judged:"
    )
    yield ""
    yield from _bins(stated)


def _bins(stated: Calibration) -> Iterator[str]:
    yield from _head(("stated", "times", "mean stated", "were so"))
    for one in stated.bins:
        yield _line(
            (
                f"{one.low:g} to {one.high:g}",
                f"{one.count:,}",
                f"{one.stated:.4f}",
                f"{one.held:.4f}",
            )
        )
    yield (
        f"\nBrier score {_number(stated.brier, '.4f')}; saying the base rate of "
        f"{_number(stated.base_rate, '.3f')} each time: {_number(stated.brier_base, '.4f')}."
    )


def _by_alarm(report: Report) -> Iterator[str]:
    yield "Alarms: probability stated when raised, and whether what they name was so:"
    yield ""
    yield from _head(("alarm", "raised", "mean stated", "were so", "Brier"))
    for kind, one in report.by_alarm.items():
        total = sum(part.count * part.stated for part in one.bins) / one.count
        yield _line(
            (
                kind,
                str(one.count),
                f"{total:.3f}",
                f"{one.base_rate:.3f}",
                f"{one.brier:.3f}",
            )
        )


def _share(share: Share) -> str:
    return f"{share.share:.0%}" if share.of else "-"


def _with_interval(share: Share) -> str:
    if not share.of:
        return "-"
    low, high = share.interval
    return f"{share.share:.0%} ({100 * low:.0f} to {100 * high:.0f})"


def _minutes(seconds: float) -> str:
    return "-" if math.isnan(seconds) else f"{seconds / 60.0:.1f} min"


def _number(value: float, how: str) -> str:
    return "-" if math.isnan(value) else format(value, how)
