"""Pictures: real files of the size meant, that say in words and units what they show."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from numpy.typing import NDArray
from PIL import Image

from deploy.lab_picture import draw_lab_update
from models.ageing import relative_rate
from models.histogram import BINS, row_of
from models.lab import LabUpdate, lab_update
from models.lab_words import said
from models.layout import record
from models.units import METRIC, US
from review.pictures import looks as picture
from review.pictures.account import draw_account
from review.pictures.account_caption import Mark
from review.pictures.bins import draw_bins
from review.problems import Mistake
from tests.deploy.drawn import MIDNIGHT_MS, SVG, UTC, account, points, root_of, texts
from tests.models.entries import entry, parts, worn
from tests.models.fills import fill_params


def at(**hours: float) -> NDArray[np.float64]:
    """Fill bins by temperature: ``c61`` is the bin that 61 °C lies in [h]."""
    bins_s = np.zeros(BINS)
    for name, spent in hours.items():
        bins_s[row_of(float(name[1:]))] += 3600.0 * spent
    return bins_s


def sample(**found: float) -> LabUpdate:
    params = fill_params(reference_life_s=2500.0 * 3600.0, ln_life_sd=0.5)
    own, account = parts(params, worn(params, 0.36))
    return lab_update(own, account, record(entry("sample", MIDNIGHT_MS, epoch=0, **found)))


def pace(celsius: float) -> float:
    return float(relative_rate(celsius, 80.0, 77_000.0))


def laboratory(path: Path) -> str:
    return draw_lab_update(sample(antioxidant=0.55, oxidation=0.6), path)


def bins(path: Path) -> str:
    return draw_bins(at(c51=10.0, c85=80.0, c113=10.0), path, METRIC, pace=pace)


each = pytest.mark.parametrize("draw", [account, laboratory, bins])


@each
def test_a_png(draw: Callable[[Path], str], tmp_path: Path) -> None:
    told = draw(tmp_path / "one.png")
    with Image.open(tmp_path / "one.png") as image:
        assert image.format == "PNG"
        assert image.width == 1000
        assert 500 <= image.height <= 800
        assert image.text["Description"] == told  # type: ignore[attr-defined] # PNG has it
        shades = np.asarray(image.convert("L"))
    drawn = float(np.mean(shades < 250))
    assert 0.02 < drawn < 0.5
    # Nothing runs out of the sheet.
    assert all(
        edge.min() > 250 for edge in (shades[0], shades[-1], shades[:, 0], shades[:, -1])
    )


@each
def test_an_svg_says_what_it_shows(draw: Callable[[Path], str], tmp_path: Path) -> None:
    told = draw(tmp_path / "one.svg")
    root = root_of(tmp_path / "one.svg")
    assert root.get("role") == "img"
    named = (root.get("aria-labelledby") or "").split()
    assert [part.get("id") for part in root[:2]] == named
    assert [part.tag for part in root[:2]] == [f"{SVG}title", f"{SVG}desc"]
    assert root[0].text
    assert root[1].text == told
    assert root[0].text in texts(tmp_path / "one.svg")


@each
def test_an_svg_needs_nothing_from_elsewhere(
    draw: Callable[[Path], str], tmp_path: Path
) -> None:
    draw(tmp_path / "one.svg")
    for element in root_of(tmp_path / "one.svg").iter():
        for name, value in element.attrib.items():
            assert not name.endswith("href") or value.startswith("#")
            assert "url(" not in value or "url(#" in value
        assert "@import" not in (element.text or "")
        assert "@font-face" not in (element.text or "")


@each
def test_one_picture_is_one_file(draw: Callable[[Path], str], tmp_path: Path) -> None:
    for name in ("one.svg", "two.svg", "one.png", "two.png"):
        draw(tmp_path / name)
    for kind in ("svg", "png"):
        assert (tmp_path / f"one.{kind}").read_bytes() == (
            tmp_path / f"two.{kind}"
        ).read_bytes()


@each
def test_another_kind_of_file_is_refused(draw: Callable[[Path], str], tmp_path: Path) -> None:
    with pytest.raises(Mistake, match=r"\.svg or \.png"):
        draw(tmp_path / "one.jpg")
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_whatever_people_write(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"one.{kind}"
    text = 'x_1 costs $5 and $7 & <b>"\x00\x1b[31m 油 \udcff' + 200 * "long "
    told = draw_account(points(9, 0.01), [Mark(MIDNIGHT_MS, text)], path, zone=UTC, title=text)
    assert "$5 and $7 & <b>" in told
    if kind == "svg":
        assert any("$5 and $7 & <b>" in line and "油" in line for line in texts(path))


def test_time_at_temperature(tmp_path: Path) -> None:
    told = bins(tmp_path / "one.svg")
    written = texts(tmp_path / "one.svg")
    shares = np.array([10.0, 80.0, 10.0]) * [pace(51.0), pace(85.0), pace(113.0)]
    hot = 100.0 * shares[2] / shares.sum()
    heading = (
        f"100 h seen; 10 % below 65 °C; 10 % above 107 °C, which is {hot:.0f} % of the ageing"
    )
    assert heading in written
    assert "Best life, 79 °C to 93 °C: 80 % of the time" in told
    assert {"Time seen [h]", "Share of the ageing", "cold", "best life", "hot"} <= set(written)
    assert "Fluid temperature [°C], in bars of 2 °C" in written


def test_time_at_temperature_in_fahrenheit(tmp_path: Path) -> None:
    told = draw_bins(at(c65=4.0, c85=4.0), tmp_path / "one.svg", US)
    written = texts(tmp_path / "one.svg")
    assert "8 h seen; 25 % below 149 °F, 0 % above 225 °F" in written
    assert "Best life, 175 °F to 200 °F: 50 % of the time" in told
    assert "Fluid temperature [°F], in bars of 3.6 °F" in written
    assert "200" in written
    assert "Share of the ageing" not in written
    assert "°C" not in told + "".join(written)


def test_the_end_bins_are_drawn(tmp_path: Path) -> None:
    told = draw_bins(at(c199=1.0) + np.eye(1, BINS)[0] * 3600.0, tmp_path / "one.png", METRIC)
    assert "Cold, below 65 °C: 50 % of the time" in told
    assert "Too hot, from 121 °C on: 50 % of the time" in told


def test_no_time_at_temperature(tmp_path: Path) -> None:
    with pytest.raises(Mistake, match="nothing to draw yet"):
        draw_bins(np.zeros(BINS), tmp_path / "one.png", METRIC)


def test_a_sample(tmp_path: Path) -> None:
    update = sample(antioxidant=0.55, oxidation=0.6)
    told = draw_lab_update(update, tmp_path / "one.svg")
    written = texts(tmp_path / "one.svg")
    assert told == " ".join(said(update))
    assert {"before the sample", "antioxidant", "infrared oxidation", "with the sample"} <= set(
        written
    )
    assert "How fast this fluid ages, as a multiple of its chart" in written
    assert "Life used, 80 % band (80, 95 and 100 % are lines)" in written
    before, after = update.life_before, update.life_after
    assert any(
        f"Life used {before.best:.0%}".replace("%", " %") in line
        and f", {after.best:.0%}".replace("%", " %") in line
        for line in written
    )


def test_a_sample_that_does_not_fit_is_said_so(tmp_path: Path) -> None:
    update = sample(antioxidant=0.03)
    assert update.doubtful
    draw_lab_update(update, tmp_path / "one.svg", title="NF-01")
    assert "NF-01: does not fit the account" in texts(tmp_path / "one.svg")


def test_a_sample_of_nothing(tmp_path: Path) -> None:
    draw_lab_update(sample(), tmp_path / "one.svg")
    written = texts(tmp_path / "one.svg")
    assert "with the sample" not in written
    assert "before the sample" in written


def contrast(colour: str) -> float:
    """Give the contrast to white, by WCAG 2 (from memory)."""
    channels = np.array(to_rgb(colour))
    linear = np.where(
        channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4
    )
    return float(1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05))


@pytest.mark.parametrize(
    ("colour", "least"),
    [
        # WCAG 2 asks for 4.5 of text and 3 of graphics (from memory).
        (picture.INK, 4.5),
        (picture.SOFT, 4.5),
        (picture.RED, 4.5),
        (picture.BLUE, 3.0),
        (picture.GREEN, 3.0),
        (picture.PURPLE, 3.0),
    ],
)
def test_lines_and_letters_stand_out(colour: str, least: float) -> None:
    assert contrast(colour) >= least
