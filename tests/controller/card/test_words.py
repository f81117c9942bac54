"""The words of the card: one for every ending and fact, and signals whose numbers are filled in."""

from __future__ import annotations

import string

from controller.card.words import DEAD_BALL_SIGNALS, ENDING_WORDS, FACT_WORDS, WHISTLE_SIGNALS
from controller.rules.endings import ENDINGS, FACTS


def test_every_ending_and_fact_has_words_of_its_own() -> None:
    assert set(ENDING_WORDS) == set(ENDINGS) and set(FACT_WORDS) == set(FACTS)
    assert len(set(ENDING_WORDS.values())) == len(ENDINGS)
    assert len(set(FACT_WORDS.values())) == len(FACTS)


def test_a_signal_leaves_its_numbers_to_the_rule_set_and_names_its_source() -> None:
    for signal in (*DEAD_BALL_SIGNALS, *WHISTLE_SIGNALS):
        assert signal.source
        asked = {name for _, name, _, _ in string.Formatter().parse(signal.means) if name}
        numbers = {"routine", "administrative"}
        assert asked <= numbers | ENDINGS.keys()
