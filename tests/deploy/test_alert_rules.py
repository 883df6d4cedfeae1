"""The alert rules for Prometheus, by its own tool: each fires on what it is for, and on nothing else.

``promtool test rules`` runs the rules over made-up series; the figures in them are looked up among ours,
so that a rule cannot ask for a name that is never written.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml  # type: ignore[import-untyped]  # it ships no types

from deploy.metrics.families import FAMILIES, table

FOLDER = Path(__file__).parents[2] / "deploy" / "metrics"
RULES = FOLDER / "heatbook-alerts.yml"
HOURS, LONGEST_HOURS = 3, 26
"""How long each rule is looked at, and that which waits for a day."""

STEPS = LONGEST_HOURS * 60


def promtool(*words: str) -> str:
    found = shutil.which("promtool")
    assert found is not None, "install prometheus, whose promtool checks figures and rules"
    done = subprocess.run(  # noqa: S603 - found on the path
        [found, *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Series on which a rule fires and on which it does not, a value a minute in promtool's notation."""

    alert: str
    fires: tuple[str, ...]
    sound: tuple[str, ...]
    hours: int = HOURS


def series(name: str, values: str, **labels: str) -> str:
    listed = ",".join(f'{key}="{value}"' for key, value in labels.items())
    return f"{name}{{{listed}}} {values}"


def spread(name: str, low: str, high: str) -> tuple[str, ...]:
    """Give a histogram of two buckets: values up to ``low``, and up to ``high``, a minute."""
    bounds = {"heatbook_sample_lag_seconds": ("60", "900")}.get(name, ("1", "5"))
    return (
        series(f"{name}_bucket", f"0+{low}x{STEPS}", le=bounds[0]),
        series(f"{name}_bucket", f"0+{high}x{STEPS}", le=bounds[1]),
        series(f"{name}_bucket", f"0+{high}x{STEPS}", le="+Inf"),
    )


def plain(alert: str, name: str, fires: str, sound: str, **labels: str) -> Case:
    return Case(
        alert=alert,
        fires=(series(name, f"{fires}x{STEPS}", **labels),),
        sound=(series(name, f"{sound}x{STEPS}", **labels),),
    )


TRUCKS = series("heatbook_trucks", f"3x{STEPS}")
RECEIVED = series("heatbook_samples_received_total", f"0+100x{STEPS}")
CASES = (
    plain("HeatbookDown", "up", "0", "1", job="heatbook"),
    plain("HeatbookStuck", "heatbook_commit_loop_last_turn_age_seconds", "0+60", "1"),
    plain("HeatbookStoreFailing", "heatbook_store_failing_seconds", "0+60", "0"),
    plain("HeatbookBrokerAway", "heatbook_broker_connected", "0", "1"),
    plain("HeatbookDiskShort", "heatbook_disk_free_bytes", "9e8", "2e9", folder="store"),
    plain(
        "HeatbookDiskFullInADay",
        "heatbook_disk_free_bytes",
        "1e11-1e8",
        "1e11-1e6",
        folder="store",
    ),
    Case(
        alert="HeatbookNoSamples",
        fires=(series("heatbook_samples_received_total", f"500x{STEPS}"), TRUCKS),
        sound=(RECEIVED, TRUCKS),
        hours=LONGEST_HOURS,
    ),
    Case(
        alert="HeatbookManyRefused",
        fires=(
            RECEIVED,
            series("heatbook_samples_refused_total", f"0+15x{STEPS}", reason="future"),
            series("heatbook_samples_refused_total", f"0+15x{STEPS}", reason="not_json"),
        ),
        sound=(
            RECEIVED,
            series("heatbook_samples_refused_total", f"0+15x{STEPS}", reason="future"),
        ),
    ),
    Case(
        alert="HeatbookSamplesLate",
        fires=spread("heatbook_sample_lag_seconds", "10", "100"),
        sound=spread("heatbook_sample_lag_seconds", "90", "100"),
    ),
    Case(
        alert="HeatbookCommitsSlow",
        fires=spread("heatbook_commit_duration_seconds", "10", "100"),
        sound=spread("heatbook_commit_duration_seconds", "99", "100"),
    ),
    plain(
        "HeatbookNoticesWait",
        "heatbook_notices_oldest_age_seconds",
        "0+60",
        "5",
        channel="smtp",
    ),
    plain("HeatbookNoticesGivenUp", "heatbook_notices_given_up", "2", "0"),
    plain("HeatbookChannelFailing", "heatbook_channels_failing", "1", "0", channel="smtp"),
    plain("HeatbookWalGrows", "heatbook_store_wal_bytes", "1e9", "4e6"),
    plain("HeatbookFeedBehind", "heatbook_influx_oldest_age_seconds", "0+60", "5"),
    plain("HeatbookOwnAlarm", "heatbook_own_alarms_standing", "1", "0", kind="clock_wrong"),
)


def rules() -> dict[str, dict[str, str]]:
    listed = yaml.safe_load(RULES.read_text())["groups"][0]["rules"]
    return {each["alert"]: each for each in listed}


def test_every_rule_is_sound_and_has_a_case() -> None:
    assert "SUCCESS" in promtool("check", "rules", str(RULES))
    assert {case.alert for case in CASES} == set(rules())


@pytest.mark.parametrize("good", [False, True], ids=["fires", "does not fire"])
def test_each_rule_fires_on_what_it_is_for_alone(tmp_path: Path, good: bool) -> None:
    tests = [
        {
            "interval": "1m",
            "input_series": [
                dict(zip(("series", "values"), each.rsplit(" ", 1), strict=True))
                for each in (case.sound if good else case.fires)
            ],
            "promql_expr_test": [
                {
                    "expr": f'count(ALERTS{{alertname="{case.alert}",alertstate="firing"}})',
                    "eval_time": f"{case.hours}h",
                    "exp_samples": [] if good else [{"labels": "{}", "value": 1}],
                }
            ],
        }
        for case in CASES
    ]
    file = tmp_path / "tests.yml"
    file.write_text(
        json.dumps({"rule_files": [str(RULES)], "evaluation_interval": "10m", "tests": tests})
    )
    assert "SUCCESS" in promtool("test", "rules", str(file))


def named(expression: str) -> set[str]:
    found = re.findall(r"\bheatbook_[a-z_]+", expression)
    return {re.sub(r"_(bucket|sum|count)$", "", name) for name in found}


def test_rules_and_dashboard_ask_for_figures_that_there_are() -> None:
    asked = set().union(*(named(rule["expr"]) for rule in rules().values()))
    board = json.loads((FOLDER / "dashboard.json").read_text())
    queries = [
        target["expr"] for panel in board["panels"] for target in panel.get("targets", ())
    ]
    assert len(queries) > 10
    for query in queries:
        asked |= named(query)
    assert asked <= set(FAMILIES)


def test_the_queries_of_the_dashboard_can_be_read(tmp_path: Path) -> None:
    """Each is made a rule, for the tool reads rules."""
    board = json.loads((FOLDER / "dashboard.json").read_text())
    recorded = [
        {
            "record": f"query:number_{nth}",
            "expr": target["expr"].replace("$__rate_interval", "5m"),
        }
        for nth, (panel, target) in enumerate(
            (panel, target) for panel in board["panels"] for target in panel.get("targets", ())
        )
        if panel
    ]
    file = tmp_path / "queries.yml"
    file.write_text(json.dumps({"groups": [{"name": "dashboard", "rules": recorded}]}))
    assert f"{len(recorded)} rules found" in promtool("check", "rules", str(file))


def test_the_scrape_names_the_usual_address_and_the_rules() -> None:
    scrape = yaml.safe_load((FOLDER / "scrape.yml").read_text())
    assert scrape["rule_files"] == [RULES.name]
    assert scrape["scrape_configs"][0]["static_configs"] == [{"targets": ["127.0.0.1:9480"]}]


def test_the_table_of_figures_is_the_one_in_the_code() -> None:
    assert table() in (FOLDER / "README.md").read_text()
