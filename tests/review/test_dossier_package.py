"""The package: anybody can compute the figures again, by its own script and by a path outside the project."""

from __future__ import annotations

import hashlib
import io
import json
import math
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import cumulative_simpson

from review.dossier.package import INPUTS, MANIFEST, inputs_of, package
from review.record_book import Book
from review.service_record import drop_pan
from tests.review.failures import BOTH, TELLER, at, day, lacking, pipeline, review
from tests.review.northfold_day import END_MS, fleet

R = 8.314462618
"""Molar gas constant [J/(mol·K)], CODATA 2018."""

KINETIC_K = 83_144.0 / 8.3144
"""Delta-H over R of the mean kinetic temperature [K]: 83.144 kJ/mol, by the pharmacopoeias (from memory)."""


@pytest.fixture(scope="module")
def conn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    """Give the day with a pan drop of NF-03 in the middle of it."""
    with day(tmp_path_factory.mktemp("day")) as (database, _):
        with database.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            drop_pan(book, "NF-03", at(9_000.0), volume_l=4.2, note="smelled burnt")
        pipeline(database)
        with database.read() as found:
            yield found


@pytest.fixture(scope="module")
def packed(conn: sqlite3.Connection) -> bytes:
    return package(conn, review(conn, "NF-03"), BOTH, TELLER).body


@pytest.fixture(scope="module")
def folder(packed: bytes, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("package")
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        archive.extractall(place)
    return place


def told(folder: Path) -> Any:
    return json.loads((folder / "account.json").read_text(encoding="utf-8"))


def test_its_own_script_gives_our_figures(folder: Path) -> None:
    script = [sys.executable, str(folder / "recompute.py")]
    ran = subprocess.run(script, capture_output=True, check=True, timeout=120)  # noqa: S603 - our own
    found, ours = json.loads(ran.stdout), told(folder)["result"]
    assert found["measured_s"] == pytest.approx(ours["measured_s"], rel=1e-9)
    assert found["life_used"] == pytest.approx(ours["life_used"], rel=1e-9)
    assert found["mean_kinetic_temp_c"] == pytest.approx(ours["mean_kinetic_temp_c"], abs=1e-6)


def test_a_path_outside_the_project_gives_our_figures(folder: Path) -> None:
    """Resampled to the second with pandas, integrated with SciPy, by the fleet file's own parameters."""
    account = told(folder)
    fluid = json.loads((folder / "parameters.json").read_text())["basis"]["fluid"]
    samples = pd.read_csv(folder / "samples.csv")
    read = samples[samples["counted"] == 1]
    times, kelvin = (
        read["time_ms"].to_numpy() / 1000.0,
        read["fluid_temp_c"].to_numpy() + 273.15,
    )
    reference = fluid["reference_temp_c"] + 273.15
    aged = kinetic = seen = 0.0
    pan_drop_s = account["thinnings"][0]["time_ms"] / 1000.0
    stays = 1.0 - 4.2 / fleet().vehicles["NF-03"].fluid_total_l
    for stretch in np.split(np.arange(len(times)), np.flatnonzero(np.diff(times) > 300.0) + 1):
        if len(stretch) < 2:
            continue
        fine = np.arange(times[stretch[0]], times[stretch[-1]] + 0.5, 1.0)
        inverse = np.interp(fine, times[stretch], 1.0 / kelvin[stretch])
        rate = np.exp(fluid["activation_energy_j_mol"] / R * (1.0 / reference - inverse))
        share = stays if fine[-1] < pan_drop_s else 1.0
        aged += share * cumulative_simpson(rate, x=fine)[-1]
        kinetic += cumulative_simpson(np.exp(-KINETIC_K * inverse), x=fine)[-1]
        seen += fine[-1] - fine[0]
    ours = account["result"]
    assert aged == pytest.approx(ours["measured_s"], rel=2e-4)
    spent = (aged + account["soaked_s"] + account["unseen_s"]) / fluid["reference_life_s"]
    assert account["carried"] + spent == pytest.approx(ours["life_used"], rel=1e-4)
    mean_kinetic_c = KINETIC_K / -math.log(kinetic / seen) - 273.15
    assert mean_kinetic_c == pytest.approx(ours["mean_kinetic_temp_c"], abs=0.01)


def test_the_pan_drop_is_in_it(folder: Path) -> None:
    (thinning,) = told(folder)["thinnings"]
    assert thinning["stays"] == pytest.approx(
        1.0 - 4.2 / fleet().vehicles["NF-03"].fluid_total_l, rel=1e-9
    )
    (entry,) = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    assert (entry["kind"], entry["who"], entry["note"]) == ("pan_drop", "Omar", "smelled burnt")
    assert entry["counts"]


def test_the_short_cut_by_the_bins_is_good_to_a_per_cent(folder: Path) -> None:
    bins = pd.read_csv(folder / "bins.csv")
    account = told(folder)
    (first, ln_first), (last, ln_last) = account["law"]
    inverse = 1.0 / ((bins["from_c"] + bins["to_c"]) / 2.0 + 273.15)
    ln_rate = ln_first + (inverse - first) * (ln_last - ln_first) / (last - first)
    summed = float((bins["measured_s"] * np.exp(ln_rate)).sum())
    assert summed == pytest.approx(account["result"]["measured_s"], rel=0.01)


def test_every_file_is_in_the_manifest_with_its_hash(folder: Path) -> None:
    lines = (folder / MANIFEST).read_text().splitlines()
    listed = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    there = {str(each.relative_to(folder)) for each in folder.rglob("*") if each.is_file()} - {
        MANIFEST
    }
    assert set(listed) == there
    for name, digest in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_the_data_hash_is_that_of_its_inputs(conn: sqlite3.Connection, folder: Path) -> None:
    sha256 = hashlib.sha256((folder / INPUTS).read_bytes()).hexdigest()
    assert inputs_of(conn, review(conn, "NF-03")).sha256 == sha256
    assert sha256 in (folder / "README.md").read_text(encoding="utf-8")


def test_the_same_data_give_the_same_bytes(conn: sqlite3.Connection, packed: bytes) -> None:
    again = package(conn, review(conn, "NF-03"), BOTH, TELLER).body
    assert again == packed


def test_another_reading_gives_another_hash(tmp_path: Path) -> None:
    hashes = []
    for place, name in enumerate(("as it was", "one tenth of a degree")):
        (tmp_path / name).mkdir()
        with lacking(tmp_path / name, "NF-05", ()) as (database, conn):
            if place:
                with database.write() as tx:
                    body = tx.execute("SELECT id, body FROM journal LIMIT 1").fetchone()
                    changed = bytearray(body[1])
                    changed[-1] ^= 1
                    tx.execute(
                        "UPDATE journal SET body = ? WHERE id = ?", (bytes(changed), body[0])
                    )
            with database.read() as read:
                hashes.append(inputs_of(read, review(conn, "NF-05")).sha256)
    assert hashes[0] != hashes[1]


def test_the_readme_says_what_each_file_is(folder: Path) -> None:
    text = (folder / "README.md").read_text(encoding="utf-8")
    for each in folder.iterdir():
        name = f"{each.name}/" if each.is_dir() else each.name
        assert name == "README.md" or f"`{name}`" in text, name


def test_the_figures_are_pictures(folder: Path) -> None:
    drawn = sorted((folder / "figures").iterdir())
    assert {each.suffix for each in drawn} == {".png", ".svg"}
    for each in drawn:
        body = each.read_bytes()
        if each.suffix == ".png":
            assert body.startswith(b"\x89PNG")
        else:
            assert b"<title id=" in body
