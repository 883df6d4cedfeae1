"""The fluids of a fleet file: charts, viscosities, how sure the numbers are, and every mistake in them."""

from __future__ import annotations

import math

import pytest

from models.chart import energy_j_mol, life_s
from models.fleet import CHART, Fluid
from models.viscosity import viscosity_mm2_s
from tests.deploy.test_fleet import parse, problems


def fluid(lines: str) -> Fluid:
    return parse(f"[fluids.x]\n{lines}\n").fluids["x"]


def test_a_chart_gives_life_and_energy_itself() -> None:
    made = fluid("chart = [[80, 6000], [100, 1500.0], [120, 400]]\nreference_temp_c = 100")
    assert made.chart == ((80.0, 6000 * 3600.0), (100.0, 1500 * 3600.0), (120.0, 400 * 3600.0))
    assert made.reference_life_s == pytest.approx(1500 * 3600.0, rel=1e-12)
    assert made.activation_energy_j_mol == energy_j_mol(made.chart)
    assert 70e3 < made.activation_energy_j_mol < 90e3


def test_a_charts_reference_may_lie_beyond_its_ends() -> None:
    made = fluid("chart = [[100, 1500], [120, 400]]")
    assert made.reference_temp_c == CHART.reference_temp_c
    assert made.reference_life_s == life_s(made.chart, made.reference_temp_c) > 1500 * 3600.0


@pytest.mark.parametrize("points", [2, 16])
def test_fewest_and_most_points(points: int) -> None:
    chart = [[50 + 10 * row, 9e4 / 2**row] for row in range(points)]
    assert len(fluid(f"chart = {chart}").chart) == points


def test_how_sure_and_what_comes_after_the_end() -> None:
    made = fluid(
        "activation_energy_sd_kj_mol = 4\nlife_spread = 2\nantioxidant_at_end = 0.1\noxidation_factor = 3"
    )
    assert made.activation_energy_sd_j_mol == 4000.0
    assert (made.life_spread, made.antioxidant_at_end, made.oxidation_factor) == (2.0, 0.1, 3.0)


@pytest.mark.parametrize(
    ("kv40", "kv100", "film_c"),
    [(34.5, 7.4, 139.0), (29.6, 6.0, 124.0), (18.5, 4.45, 106.0)],
)
def test_the_film_follows_from_the_viscosities(
    kv40: float, kv100: float, film_c: float
) -> None:
    # Representative pairs (from memory); where ASTM D341 has 4 cSt, worked out.
    made = fluid(f"kv40_mm2_s = {kv40}\nkv100_mm2_s = {kv100}")
    assert made.film_temp_c == pytest.approx(film_c, abs=0.6)
    assert viscosity_mm2_s(kv40, kv100, made.film_temp_c) == pytest.approx(4.0, rel=1e-3)
    assert (made.kv40_mm2_s, made.kv100_mm2_s) == (kv40, kv100)


def test_a_film_temperature_that_is_written_wins() -> None:
    made = fluid("kv40_mm2_s = 34.5\nkv100_mm2_s = 7.4\nfilm_temp_c = 130")
    assert made.film_temp_c == 130.0


@pytest.mark.parametrize(
    ("line", "path", "words"),
    [
        ("chart = [[80, 6000]]", "chart", "at least 2"),
        (f"chart = {[[50 + row, 900 - row] for row in range(17)]}", "chart", "at most 16"),
        ("chart = [[80, 6000, 1], [90, 3000]]", "chart.0", "at most 2"),
        ("chart = [[80], [90, 3000]]", "chart.0", "at least 2"),
        ("chart = [['80', 6000], [90, 3000]]", "chart.0.0", "valid number"),
        ("chart = [[80, 6000], [90, true]]", "chart.1.1", "valid number"),
        ("chart = [[80, 6000], [80, 3000]]", "chart", "by rising temperature"),
        ("chart = [[90, 3000], [80, 6000]]", "chart", "by rising temperature"),
        ("chart = [[80, 3000], [90, 3000]]", "chart", "lives fall"),
        ("chart = [[80, 3000], [90, 4000]]", "chart", "lives fall"),
        ("chart = [[80, 3000], [81, 1]]", "chart", "degrees Celsius and hours"),
        ("chart = [[80, 3000], [90, 0]]", "chart", "above 0"),
        ("chart = [[80, 3000], [900, 3]]", "chart", "-40 to 250"),
        ("chart = [[80, inf], [90, 3]]", "chart.0.1", "finite"),
        ("chart = 'trade'", "chart", "list"),
        ("activation_energy_sd_kj_mol = -1", "activation_energy_sd_kj_mol", "or equal to 0"),
        ("life_spread = 1", "life_spread", "or equal to 1.01"),
        ("antioxidant_at_end = 1", "antioxidant_at_end", "or equal to 0.99"),
        ("antioxidant_at_end = 0", "antioxidant_at_end", "or equal to 0.01"),
        ("oxidation_factor = 0.5", "oxidation_factor", "or equal to 1"),
        ("kv40_mm2_s = 30", "kv40_mm2_s", "both or none"),
        ("kv100_mm2_s = 6", "kv100_mm2_s", "both or none"),
        ("kv40_mm2_s = 6\nkv100_mm2_s = 6", "kv100_mm2_s", "thins as it warms"),
        ("chart = [[80, 6], [90, 3]]\nreference_life_h = 9", "reference_life_h", "one of the"),
        (
            "chart = [[80, 6], [90, 3]]\nactivation_energy_kj_mol = 80",
            "activation_energy_kj_mol",
            "one of the",
        ),
    ],
)
def test_bad_values_name_fluid_and_key(line: str, path: str, words: str) -> None:
    found = problems(f"[fluids.x]\n{line}\n")
    assert set(found) == {f"fluids.x.{path}"}
    assert words in found[f"fluids.x.{path}"].mend


def test_a_mistake_in_a_chart_says_which_points() -> None:
    found = problems("[fluids.x]\nchart = [[80, 3000], [90, 2000], [100, 2500]]\n")
    assert "2000 h at 90 °C and 2500 h at 100 °C" in found["fluids.x.chart"].what


def test_without_a_chart_the_life_is_what_is_written() -> None:
    made = fluid("reference_life_h = 5000")
    assert made.reference_life_s == 5000 * 3600.0
    assert made.chart == ()
    assert math.isclose(made.activation_energy_j_mol, 77_010.0)
