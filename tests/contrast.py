"""How well a colour stands out from its paper, after WCAG 2.1; for the tests of pages and of pictures."""

from collections.abc import Sequence

# The least contrast of text and of what is needed to understand a graphic: WCAG 2.1, 1.4.3 and 1.4.11 (AA).
TEXT, GRAPHICS = 4.5, 3.0


def linear(colour: str) -> list[float]:
    """Return linear RGB, 0 to 1, of #rgb or #rrggbb: the curve of sRGB, as WCAG 2.1 gives it."""
    digits = colour.removeprefix("#")
    pairs = [digit * 2 for digit in digits] if len(digits) == 3 else [digits[at : at + 2] for at in (0, 2, 4)]
    parts = [int(pair, 16) / 255 for pair in pairs]
    return [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def luminance(rgb: Sequence[float]) -> float:
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), rgb, strict=True))


def contrast(colour: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.1, 1 to 21."""
    less, more = sorted(luminance(linear(colour)) + 0.05 for colour in (colour, other))
    return more / less
