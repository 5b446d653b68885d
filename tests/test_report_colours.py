"""The colours stand out from their paper and from each other, by day and by night, for the colour-blind too."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import pytest
from contrast import GRAPHICS, TEXT, contrast, linear

from dumpload.report.colours import DARK, LIGHT, rules

Colours = Mapping[str, str | Sequence[str]]

BOTH = pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["day", "night"])

# Of linear RGB, severity 1.0: Machado, Oliveira and Fernandes (2009), from memory. Every row adds up to 1.
DEFICIENCIES = {
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
}


def text(colours: Colours, name: str) -> str:
    colour = colours[name]
    assert isinstance(colour, str)
    return colour


@pytest.mark.parametrize(
    ("one", "other", "ratio"), [("#000", "#fff", 21.0), ("#777777", "#fff", 4.48), ("#123456", "#123456", 1.0)]
)
def test_the_contrast_is_that_of_the_guideline(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)


@BOTH
def test_words_can_be_read(colours: Colours) -> None:
    assert contrast(text(colours, "ink"), text(colours, "paper")) >= TEXT


@BOTH
@pytest.mark.parametrize("name", ["charge", "on", "gap", "line"])
def test_what_is_drawn_stands_out_from_the_paper(colours: Colours, name: str) -> None:
    assert contrast(text(colours, name), text(colours, "paper")) >= GRAPHICS


@BOTH
def test_every_shade_stands_out_and_the_more_time_on_the_more_so(colours: Colours) -> None:
    shades = [contrast(shade, text(colours, "paper")) for shade in colours["shades"]]
    assert shades[0] >= GRAPHICS
    for less, more in pairwise(shades):
        assert more >= 1.25 * less


@BOTH
@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES)
def test_charge_and_time_on_are_told_apart_by_the_colour_blind(
    colours: Colours, matrix: Sequence[Sequence[float]]
) -> None:
    """They differ as much in what is left of colour (blue against yellow) as black and mid-grey do in lightness."""
    seen = [
        [max(0.0, sum(weight * part for weight, part in zip(row, linear(text(colours, name)), strict=True)))
         for row in matrix]
        for name in ("charge", "on")
    ]  # fmt: skip
    yellowness = [(red + green) / 2 - blue for red, green, blue in seen]
    assert all(sum(row) == pytest.approx(1.0, abs=1e-5) for row in matrix)
    assert yellowness[1] - yellowness[0] > 0.2


@BOTH
def test_every_colour_is_used_by_the_style(colours: Colours) -> None:
    style = rules(colours)
    used = [text(colours, name) for name in ("ink", "line", "charge", "on", "gap")] + [*colours["shades"]]
    assert all(colour in style for colour in used)
    assert "opacity" not in style
