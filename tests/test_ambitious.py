"""A next step that is more likely missed than met is called ambitious wherever its chance stands."""

from dataclasses import replace

import pytest
from report_case import StandInTarget, circle_case

from simlap.report.page import render_page
from simlap.report.plain import chance_words
from simlap.report.sentences import answer
from simlap.report.table import print_analysis


class Chance(StandInTarget):
    """The target of `report_case` with another chance."""

    def __init__(self, chance):
        self.chance = chance

    def to_dict(self):
        told = super().to_dict()
        return told | {"next_step_s": told["next_step_s"] | {"chance": self.chance}}


def case(chance):
    return replace(circle_case(), target=Chance(chance))


@pytest.mark.parametrize(("chance", "ambitious"), [(0.31, True), (0.49, True), (0.5, False), (0.9, False)])
def test_sentence_page_and_terminal_say_so(chance, ambitious, capsys):
    assert any("41.00, an ambitious one; the chance" in text for text in answer(case(chance))) == ambitious
    rail = (
        render_page(case(chance))
        .replace("\N{NO-BREAK SPACE}", " ")
        .split("Lap times on one line")[1]
        .split("</section>")[0]
    )
    assert (f"chance {100 * chance:.0f} %, ambitious" in rail) == ambitious
    print_analysis(case(chance))
    assert ("ambitious" in capsys.readouterr().out) == ambitious


def test_the_word_goes_with_the_chance_as_it_is_printed():
    assert chance_words(0.496) == "50 %"
    assert chance_words(0.494) == "49 %, ambitious"
