"""Colours and line styles, one meaning each, readable with any colour vision and in grey.

Lines and bars: Okabe and Ito (2008), "Color Universal Design", https://jfly.uni-koeln.de/color/. Scales of loss:
cividis, Nuñez, Anderton and Renslow (2018), doi:10.1371/journal.pone.0199239. No meaning rests on colour alone: lines
differ in dashes, phases in hatching, loss in line width too.
"""

from typing import Any

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"

DRIVEN, BEST, LIMIT, TARGET = VERMILION, BLACK, BLUE, GREEN
LINE_DASHES: dict[str, Any] = {"driven": "-", "best": (0, (1.2, 1.2)), "limit": "--", "target": "-."}
PHASE_COLOURS = {"braking": ORANGE, "mid_corner": SKY, "exit": GREEN}
PHASE_HATCHES = {"braking": "///", "mid_corner": "...", "exit": "\\\\\\"}
# Nine equal steps of cividis, dark blue to yellow, as matplotlib gives them at 0, 1/8 ... 1.
CIVIDIS = ("#00224E", "#1A386F", "#434E6C", "#61656F", "#7D7C78", "#9B9476", "#BCAE6C", "#DEC958", "#FEE838")
