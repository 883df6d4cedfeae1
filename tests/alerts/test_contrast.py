"""The formula of WCAG 2 against values that others have computed (common knowledge, from memory)."""

from __future__ import annotations

import pytest

from tests.alerts.contrast import contrast, rgb


@pytest.mark.parametrize(
    ("ink", "ground", "printed"),
    [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48), ("#767676", "#ffffff", 4.54)],
)
def test_known_pairs(ink: str, ground: str, printed: float) -> None:
    assert contrast(rgb(ink), rgb(ground)) == pytest.approx(printed, abs=0.005)
    assert contrast(rgb(ground), rgb(ink)) == contrast(rgb(ink), rgb(ground))
