"""The colours of a report's pictures, by day and by night, and the style that uses them. Draws nothing."""

from collections.abc import Mapping, Sequence

LIGHT = {
    "ink": "#333", "paper": "#fff", "line": "#8c8c8c", "charge": "#0072b2", "on": "#d55e00", "gap": "#8a8a8a",
    "shades": ("#cf7f1a", "#b0630e", "#8a4807", "#612f03", "#3a1a00"),
}  # fmt: skip
# Blue, vermilion and orange of the palette of Okabe and Ito (2008), which most colour-blind people can tell apart; the
# shades of the heat map go from light to dark (by night from dark to light), and the least stands out from the paper.
DARK = {
    "ink": "#ddd", "paper": "#161616", "line": "#888", "charge": "#56b4e9", "on": "#e69f00", "gap": "#7d7d7d",
    "shades": ("#8f6112", "#b27a15", "#d99a26", "#f0bd62", "#ffe6b8"),
}  # fmt: skip


# What draws PNG does not know which font a system means by sans-serif, and leaves out words it has no font for.
FONTS = "sans-serif,'DejaVu Sans','Liberation Sans','Noto Sans',Arial,Helvetica"


def rules(colours: Mapping[str, str | Sequence[str]]) -> str:
    """Return the style of all pictures in these colours."""
    shades = "".join(f".s{index}{{stroke:{shade}}}" for index, shade in enumerate(colours["shades"], 1))
    return (
        f"text{{font:12px {FONTS};fill:{colours['ink']}}}.e{{text-anchor:end}}"
        f".x{{stroke:{colours['line']};fill:none;stroke-width:.5;vector-effect:non-scaling-stroke}}"
        f".c,td>svg>path{{fill:{colours['charge']};stroke:{colours['charge']};vector-effect:non-scaling-stroke}}"
        f".g{{fill:{colours['gap']}}}.q{{fill:{colours['shades'][2]}}}.a{{fill:{colours['on']}}}.w{{fill:{colours['charge']}}}"
        f".t{{fill:{colours['shades'][2]};stroke:{colours['shades'][2]};vector-effect:non-scaling-stroke}}"
        f".n{{fill:none;stroke:{colours['ink']};stroke-dasharray:2 2}}"
        f".o{{fill:{colours['on']};stroke:none}}.b{{stroke:{colours['charge']};stroke-width:.8}}"
        f".i,.u{{stroke:{colours['ink']};fill:none;vector-effect:non-scaling-stroke}}.i{{stroke-dasharray:6 3}}"
        f".u{{stroke-dasharray:1 3}}.s0{{stroke:{colours['gap']}}}.s0{{stroke-width:.3}}{shades}"
    )
