"""Loading rule sets: the shipped ones hold together, every damage is named, the record tells."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from controller.rulebook import loader as rule_sets
from controller.rulebook.loader import (
    FOLDER,
    OTHER_NAMES,
    codes,
    fingerprint,
    in_force,
    in_this_year,
    load_rule_set,
    load_seasons,
    parse_seasons,
)
from controller.rules.endings import ENDINGS, FACTS
from controller.rules.gestures import LAYOUTS
from controller.rules.rulings import RulesError, RuleSet, StartsOn

SMALL = """\
code = "small"
title = "A small code"

[sources]
a = { citation = "Small 1-1", read_as = "text" }

[[seasons]]
from = 2020
routine_s = 40
administrative_s = 25
marks = [10, 0]
routine_marks = [25]
rest = { seconds = 25, starts_on = "ready_for_play", source = "a" }

[seasons.rulings]
routine = { seconds = 40, starts_on = "dead_ball", source = "a" }
foul = { seconds = 25, starts_on = "ready_for_play", source = "a" }
change_of_possession = { seconds = 25, starts_on = "ready_for_play", source = "a" }
boards_disagree = { starts_on = "referee_signal", source = "a" }

[[seasons.facts]]
fact = "fourth_down"
endings = ["routine"]
mean = "change_of_possession"

[[seasons.combinations]]
all_of = ["foul", "change_of_possession"]
mean = "foul"

[seasons.cancelled]
endings = ["change_of_possession"]
"""
LATER = SMALL + SMALL[SMALL.index("[[seasons]]") :].replace("2020", "2024").replace(
    "foul = { seconds = 25", "foul = { seconds = 40"
)


def parsed(words: str, season: int | None = None, source: str = "small.toml") -> RuleSet:
    return in_force(parse_seasons(words, source), season, source)


DAMAGES = [
    ('code = "small"\n', "", "'code'"),
    ('title = "A small code"\n', "", "'title'"),
    ("routine_s = 40\n", "", "'routine_s'"),
    ("administrative_s = 25\n", "", "'administrative_s'"),
    ("from = 2020\n", "", "'from'"),
    ("marks = [10, 0]\n", "", "'marks'"),
    ("routine_marks = [25]\n", "", "'routine_marks'"),
    ("routine_s = 40", 'routine_s = "40"', "routine_s = '40': must be a whole number from 1 to 99"),
    ("routine_s = 40", "routine_s = 100", "routine_s = 100: must be"),
    ("administrative_s = 25", "administrative_s = 0", "administrative_s = 0"),
    ("administrative_s = 25", "administrative_s = true", "administrative_s = True"),
    ("foul = { seconds = 25", "foul = { seconds = 2.5", "foul: seconds = 2.5: must be"),
    ("foul = { seconds = 25", "foul = { second = 25", "foul: unknown key 'second'"),
    ('"dead_ball"', '"deadball"', "routine: starts_on 'deadball': one of dead_ball"),
    (
        ', source = "a" }\nchange_of_possession',
        ', source = "b" }\nchange_of_possession',
        "foul: unknown source 'b'",
    ),
    (', source = "a" }\nchange_of_possession', " }\nchange", "'source'"),
    ('read_as = "text"', 'read_as = "hearsay"', "source a: read_as 'hearsay'"),
    (', read_as = "text"', "", "'read_as'"),
    ('citation = "Small 1-1", ', "", "'citation'"),
    ("[seasons.rulings]", "[seasons.ruling]", "season 2020: unknown key 'ruling'"),
    ("[sources]", "[source]", "unknown key 'source'"),
    ('fact = "fourth_down"\n', "", "'fact'"),
    ('endings = ["routine"]', 'endings = ["routin"]', "ending 'routin' has no ruling"),
    ('mean = "change_of_possession"', 'mean = "chnage"', "ending 'chnage' has no ruling"),
    (
        'all_of = ["foul", "change_of_possession"]',
        'all_of = ["fowl"]',
        "ending 'fowl' has no ruling",
    ),
    ('mean = "foul"', 'mean = "fowl"', "ending 'fowl' has no ruling"),
    (
        'endings = ["change_of_possession"]',
        'endings = ["changes"]',
        "ending 'changes' has no ruling",
    ),
    ("[[seasons]]", "[seasons]]", "line 7"),
    ('code = "small"', "code = 5", "code = 5: must be text in one line"),
    (
        'code = "small"',
        'code = "small"\nready_by_whistle = 1',
        "ready_by_whistle = 1: must be",
    ),
    ('citation = "Small 1-1"', "citation = 11", "source a: citation = 11: must be text"),
    ('fact = "fourth_down"', "fact = 4", "facts: fact = 4: must be text"),
    (
        'fact = "fourth_down"',
        'fact = "foul"',
        "facts: 'foul' is an ending and cannot be a fact too",
    ),
    (
        'all_of = ["foul", "change_of_possession"]',
        'all_of = ["foul"]',
        "['foul']: at least two endings",
    ),
    (
        'all_of = ["foul", "change_of_possession"]',
        "all_of = []",
        "combinations: all_of = []: at least two",
    ),
    ('endings = ["routine"]', "endings = [[]]", "ending [] has no ruling"),
    ("routine_s = 40", f"routine_s = 0x{'f' * 4_000}", "routine_s = (too long a number): must be"),
    ("routine_s = 40", f"routine_s = {'9' * 5_000}", "limit"),
    ("routine_s = 40", f"routine_s = '{'x' * 5_000}'", "…: must be a whole number"),
    ("[[seasons]]", f"x = {'[' * 5_000}\n[[seasons]]", "recursion"),
    ("foul = { seconds", "foul = 5\nfowl = { seconds", "foul = 5: must be a table"),
]


@pytest.mark.parametrize(("whole", "damaged", "says"), DAMAGES)
def test_a_damaged_file_names_the_file_and_the_key(whole: str, damaged: str, says: str) -> None:
    assert whole in SMALL
    with pytest.raises(RulesError) as caught:
        parsed(SMALL.replace(whole, damaged, 1))
    assert str(caught.value).startswith("small.toml: ")
    assert says in str(caught.value)


@pytest.mark.parametrize(("whole", "damaged", "says"), DAMAGES)
def test_a_damage_names_its_line(whole: str, damaged: str, says: str) -> None:
    """That of the key, of its table where a key is missing, or what the parser itself says."""
    text = SMALL.replace(whole, damaged, 1)
    with pytest.raises(RulesError) as caught:
        parsed(text)
    found = re.search(r"line (\d+)", str(caught.value))
    assert found is not None, says
    first = SMALL.count("\n", 0, SMALL.index(whole)) + 1
    last = first + damaged.rstrip("\n").count("\n")
    missing = "missing key" in str(caught.value) or "seconds missing" in str(caught.value)
    if not missing and "unknown key" not in str(caught.value):
        assert first <= int(found[1]) <= last
    else:
        assert 1 <= int(found[1]) <= last


UNNAMED_DAMAGES = [
    ("from = 2020", 'from = "2020"', "from"),
    ("marks = [10, 0]", "marks = 10", "marks"),
    ("marks = [10, 0]", 'marks = ["ten"]', "marks"),
    ("marks = [10, 0]", "marks = [100]", "marks"),
    ('fact = "fourth_down"\n', 'fact = "fourth_down"\nnote = "x"\n', "note"),
    ('all_of = ["foul", "change_of_possession"]', 'all_of = "foul"', "all_of"),
    ("[seasons.cancelled]\nendings", "[seasons.cancelled]\nending", "ending"),
    ("foul = { seconds = 25, ", "foul = { ", "foul"),
    ('routine = { seconds = 40, starts_on = "dead_ball", source = "a" }\n', "", "routine"),
]


@pytest.mark.parametrize(("whole", "damaged", "names"), UNNAMED_DAMAGES)
def test_a_subtler_damage_is_refused_too_and_its_key_named(
    whole: str, damaged: str, names: str
) -> None:
    assert whole in SMALL
    text = SMALL.replace(whole, damaged, 1).replace('endings = ["routine"]', 'endings = ["foul"]')
    with pytest.raises(RulesError, match=names):
        parsed(text)


def test_the_newest_season_not_after_the_year_asked_for_is_in_force(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(rule_sets, "this_year", lambda: 2030)
    for season, seconds in ((2020, 25), (2023, 25), (2024, 40), (2031, 40), (None, 40)):
        assert parsed(LATER, season).ruling("foul").seconds == seconds
    assert parsed(LATER, 2023).season == 2023
    assert parsed(LATER, 2023).season_from == 2020


def test_a_file_without_a_season_is_refused() -> None:
    text = SMALL[: SMALL.index("[sources]")] + "seasons = []\n[sources]\n"
    with pytest.raises(RulesError, match=r"^small\.toml: line 4: seasons: at least one is needed$"):
        parsed(text)


def test_a_file_that_is_not_utf_8_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "small.toml").write_bytes(SMALL.encode().replace(b"A small", b"A sm\xe5ll"))
    monkeypatch.setattr(rule_sets, "FOLDER", tmp_path)
    with pytest.raises(RulesError, match=r"^small\.toml: line 2: byte 0xE5 is not UTF-8$"):
        load_rule_set("small")


@pytest.mark.parametrize("season", [-5, 0, 2019, 2032, 3000])
def test_a_season_before_the_first_or_after_the_next_is_named_with_both(
    monkeypatch: pytest.MonkeyPatch, season: int
) -> None:
    monkeypatch.setattr(rule_sets, "this_year", lambda: 2030)
    with pytest.raises(
        RulesError, match=rf"^small\.toml: no season {season}: must be from 2020 to 2031$"
    ):
        parsed(LATER, season)


def test_a_wall_clock_that_was_never_set_is_no_reason_to_refuse_a_season(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(rule_sets, "this_year", lambda: 1970)
    assert parsed(LATER, 2040).season == 2040
    assert in_this_year(parsed(LATER)).season == 2024


def test_the_newest_rules_are_those_of_this_year(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rule_sets, "this_year", lambda: 2031)
    rules = in_this_year(parsed(LATER))
    assert (rules.season_from, rules.season) == (2024, 2031)
    assert rules.rulings == parsed(LATER).rulings


def test_an_unknown_code_is_named_with_the_known_ones() -> None:
    with pytest.raises(RulesError, match=r"unknown code 'nfsh'; nearest: nfhs.*; known: .*ncaa"):
        load_rule_set("nfsh")


# What ships


@pytest.mark.parametrize("code", codes())
def test_a_shipped_rule_set_holds_together(code: str) -> None:
    rules = load_rule_set(code)
    assert (Path(FOLDER) / f"{code}.toml").stem == rules.code
    for layout in LAYOUTS.values():
        for meaning in layout.values():
            for event in meaning.taps:
                name = getattr(event, "ending", "routine")
                assert name in rules.rulings


@pytest.mark.parametrize("code", codes())
def test_every_ending_is_answered_in_every_season(code: str) -> None:
    for rules in load_seasons(code):
        assert rules.rulings.keys() == ENDINGS.keys()
        for ending, ruling in rules.rulings.items():
            assert ruling.ending == ending and ruling.citation
            assert ruling.seconds in (None, rules.routine_s, rules.administrative_s)
            if ruling.seconds is None:
                assert ending in rules.only_asked
        for fact in FACTS:
            for ending in ENDINGS:
                assert rules.ruling(ending, (fact,)).citation


@pytest.mark.parametrize("code", codes())
def test_what_is_from_memory_and_is_no_inference_says_why(code: str) -> None:
    """A default that no source settles carries its reason in every code."""
    for rules in load_seasons(code):
        for ruling in rules.rulings.values():
            if ruling.unsettled:
                assert len(ruling.unsettled) > 20 and ruling.unsettled.isprintable()


@pytest.mark.parametrize("code", codes())
def test_the_facts_of_a_rule_set_are_described(code: str) -> None:
    for rules in load_seasons(code):
        assert {fact for _, fact in rules.with_fact} <= FACTS.keys()
        assert rules.facts <= FACTS.keys()
        assert not rules.facts & ENDINGS.keys()


@pytest.mark.parametrize(
    ("word", "code"), [*OTHER_NAMES.items(), ("NFHS", "nfhs"), ("CFL", "canadian")]
)
def test_other_names_of_a_code(word: str, code: str) -> None:
    assert load_rule_set(word).code == code


def test_a_code_that_follows_another_says_so_beside_every_ruling_it_takes() -> None:
    for code, own in (
        ("texas_six_man", 0),
        ("nfhs_reduced", 0),
        ("canadian_amateur", 0),
        ("nfhs_flag", 0),
        ("ifaf", 4),
    ):
        rulings = load_rule_set(code).rulings.values()
        assert sum(not each.unsettled for each in rulings) == own
    assert [each.season_from for each in load_seasons("texas_six_man")] == [2016, 2018, 2024, 2025]


def test_the_whistle_is_the_ready_of_the_codes_that_say_so() -> None:
    assert {code for code in codes() if load_rule_set(code).ready_by_whistle} == {
        "canadian",
        "canadian_amateur",
    }


# One season like another

CHANGED = """
[[seasons]]
from = 2016
like = 2020
routine_s = 30
[seasons.rulings]
foul = { seconds = 30, starts_on = "dead_ball", source = "a" }
[[seasons.facts]]
fact = "fourth_down"
endings = ["foul"]
seconds = "none"
starts_on = "ready_for_play"
source = "a"
"""


def test_a_season_like_another_differs_in_what_it_says_alone() -> None:
    later, earlier = (parsed(SMALL + CHANGED, year) for year in (2020, 2016))
    assert parsed(SMALL, 2020) == later
    assert (earlier.ruling("foul").seconds, earlier.ruling("change_of_possession").seconds) == (
        30,
        25,
    )
    assert earlier.ruling("foul", ["fourth_down"]).seconds is None
    assert earlier.ruling("routine", ["fourth_down"]).ending == "change_of_possession"
    assert (earlier.routine_s, earlier.administrative_s) == (30, 25)
    assert (earlier.marks, earlier.cancelled) == (later.marks, later.cancelled)
    assert earlier.only_asked == later.only_asked | {"fourth_down"}


@pytest.mark.parametrize(
    ("whole", "damaged", "says"),
    [
        ("like = 2020", "like = 2021", "season 2016: like = 2021: must be a later season: 2020"),
        ("like = 2020", 'like = "2020"', "season 2016: like = '2020': must be a later season"),
        ("from = 2016", "from = 2020", "season 2020: is there twice"),
        ("from = 2016", "from = 2021", "season 2021: like = 2020: must be a later season: none"),
        ("seconds = 30", "seconds = 300", "season 2016: foul: seconds = 300"),
        ('"none"', '"never"', "season 2016: facts: seconds = 'never': must be a whole number"),
        ("like = 2020\n", "", "season 2016: routine: no ruling"),
        ("routine_s = 30", "rest = 5", "season 2016: rest = 5: not with `like`, whose rulings"),
        ("routine_s = 30", "routine_s = 0", "season 2016: routine_s = 0"),
    ],
)
def test_a_season_not_in_force_is_checked_too(whole: str, damaged: str, says: str) -> None:
    assert whole in CHANGED
    with pytest.raises(RulesError) as caught:
        parsed(SMALL + CHANGED.replace(whole, damaged, 1), 2020)
    assert str(caught.value).startswith("small.toml: ") and says in str(caught.value)


def test_the_rest_is_every_ending_that_a_season_does_not_name() -> None:
    rules = parsed(SMALL.replace("rest = { seconds = 25", "rest = { seconds = 20"))
    assert rules.ruling("touchdown").seconds == 20
    assert rules.ruling("foul").seconds == 25


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('code = "x"\ntitle = "X"\nfollows = "nfsh"\nnote = "y"', "unknown code 'nfsh'"),
        ('code = "x"\ntitle = "X"\nnote = "y"\nseasons = []', "line 3: note = 'y': stands only in"),
        (
            'code = "x"\ntitle = "X"\nfollows = "nfhs"\nnote = "y"\n'
            "[[seasons]]\nfrom = 2000\nlike = 2000",
            "season 2000: like = 2000: must be a season of the code followed: 1990, 2019",
        ),
    ],
)
def test_a_damaged_follower_is_named(text: str, says: str) -> None:
    with pytest.raises(RulesError) as caught:
        parsed(text, source="x.toml")
    assert str(caught.value).startswith("x.toml: ") and says in str(caught.value)


# A file of one's own

CUP = """\
code = "cup"
title = "Summer cup"
follows = "nfhs"
routine_s = 30

[sources]
card = { citation = "Summer cup, game card 4", read_as = "text" }
"""
CUP_SEASON = """
[[seasons]]
from = 2026
like = 2022
[seasons.rulings]
touchdown = { seconds = 20, starts_on = "ready_for_play", source = "card" }
"""


def own(folder: Path, words: str) -> str:
    file = folder / "own.toml"
    file.write_text(words, "utf-8")
    return str(file)


Counted = dict[str, tuple[int | None, StartsOn]]


def counted(rules: RuleSet) -> Counted:
    both = {**rules.rulings, **rules.variants}
    return {name: (each.seconds, each.starts_on) for name, each in both.items()}


def with_numbers(rules: RuleSet, routine_s: int, administrative_s: int) -> Counted:
    """What ``rules`` say, told with other numbers."""
    new = {rules.administrative_s: administrative_s, rules.routine_s: routine_s, None: None}
    return {name: (new[seconds], on) for name, (seconds, on) in counted(rules).items()}


@pytest.mark.parametrize("code", [code for code in codes() if load_rule_set(code).routine_s > 25])
def test_other_numbers_stand_in_every_ruling_and_key_and_mark(tmp_path: Path, code: str) -> None:
    words = CUP.replace('"nfhs"', f'"{code}"').replace("= 30", "= 32\nadministrative_s = 17")
    rules, theirs = load_rule_set(own(tmp_path, words)), load_rule_set(code)
    assert (rules.code, rules.title, rules.season_from) == ("cup", "Summer cup", theirs.season_from)
    assert (rules.routine_s, rules.administrative_s) == (32, 17)
    assert counted(rules) == with_numbers(theirs, 32, 17)
    assert rules.with_fact == theirs.with_fact and rules.combinations == theirs.combinations
    assert rules.marks == {10, 5, 4, 3, 2, 1, 0} and rules.routine_marks == {17}
    ruling, their = rules.ruling("incomplete_pass"), theirs.ruling("incomplete_pass")
    assert ruling.citation == f"Summer cup, 32 in place of {their.seconds}: {their.citation}"
    assert (ruling.read_as, ruling.unsettled) == (their.read_as, their.unsettled)
    assert fingerprint(rules) != fingerprint(theirs)


def test_a_number_that_is_not_named_stays_and_so_do_its_sources(tmp_path: Path) -> None:
    rules = load_rule_set(own(tmp_path, CUP))
    theirs = load_rule_set("nfhs")
    assert counted(rules) == with_numbers(theirs, 30, 25)
    assert rules.ruling("touchdown").citation == theirs.ruling("touchdown").citation
    assert rules.marks == theirs.marks and rules.routine_marks == {25}


def test_rulings_of_ones_own_stand_over_the_numbers(tmp_path: Path) -> None:
    rules = load_rule_set(own(tmp_path, CUP + CUP_SEASON))
    assert counted(rules) == {
        **with_numbers(load_rule_set("nfhs"), 30, 25),
        "touchdown": (20, StartsOn.READY),
    }
    assert rules.ruling("touchdown").citation == "Summer cup, game card 4"
    in_season = CUP.replace("routine_s = 30\n", "") + CUP_SEASON.replace(
        "like = 2022", "like = 2022\nroutine_s = 30"
    )
    assert load_rule_set(own(tmp_path, in_season)) == rules


def test_a_file_with_other_numbers_is_of_today_alone(tmp_path: Path) -> None:
    file = own(tmp_path, CUP)
    assert [each.season_from for each in load_seasons(file)] == [2022]
    with pytest.raises(RulesError, match="no season 2021: must be from 2022"):
        load_rule_set(file, 2021)
    every = own(tmp_path, CUP.replace("routine_s = 30\n", ""))
    assert len(load_seasons(every)) == len(load_seasons("nfhs"))


def test_a_mark_that_no_count_reaches_is_left_out(tmp_path: Path) -> None:
    rules = load_rule_set(own(tmp_path, CUP.replace("= 30", "= 10\nadministrative_s = 10")))
    assert rules.marks == {5, 4, 3, 2, 1, 0} and not rules.routine_marks


@pytest.mark.parametrize("numbers", ["routine_s = 30", "administrative_s = 30"])
def test_one_count_stays_one(tmp_path: Path, numbers: str) -> None:
    words = CUP.replace('"nfhs"', '"flag"').replace("routine_s = 30", numbers)
    rules = load_rule_set(own(tmp_path, words))
    assert (rules.routine_s, rules.administrative_s) == (30, 30)
    assert {each.seconds for each in rules.rulings.values()} == {30, None}


def test_a_note_is_no_duty_and_stands_beside_every_ruling(tmp_path: Path) -> None:
    rules = load_rule_set(own(tmp_path, CUP))
    assert not rules.ruling("touchdown").unsettled
    rules = load_rule_set(own(tmp_path, CUP.replace("[sources]", 'note = "agreed"\n[sources]')))
    assert rules.ruling("touchdown").unsettled == "agreed"
    assert rules.ruling("foul_defense").unsettled.endswith("; agreed")


def test_a_ruling_replaced_takes_its_like_with_a_fact_along(tmp_path: Path) -> None:
    """A penalty declined is ruled as the foul by the code followed; what replaces the foul's ruling
    replaces this too. One that differs stays."""
    line = 'foul_defense = { seconds = 20, starts_on = "ready_for_play", source = "card" }\n'
    rules = load_rule_set(own(tmp_path, CUP + CUP_SEASON + line))
    assert rules.ruling("foul_defense", ["declined"]).seconds == 20
    assert rules.ruling("foul_defense", ["waved_off"]).seconds == 25
    assert rules.ruling("foul_defense", ["penalty_pending"]).seconds is None
    same = line.replace("20", "30")
    rules = load_rule_set(own(tmp_path, CUP + CUP_SEASON + same))
    assert "declined" in rules.ruling("foul_defense", ["declined"]).citation


WRONG = [
    ('"cup"', '"nfhs"', "line 1: code = 'nfhs': ships with the controller; take another"),
    ('"cup"', '"cfl"', "line 1: code = 'cfl': ships with the controller"),
    ('"cup"', '"My cup"', "line 1: code = 'My cup': must be 1 to 32 small letters"),
    ('"nfhs"', '"other.toml"', "line 3: follows = 'other.toml': must be a code that ships"),
    ('"nfhs"', '"nfsh"', "line 3: follows = 'nfsh': unknown code 'nfsh'; nearest: nfhs"),
    ("= 30", "= 0", "line 4: routine_s = 0: must be a whole number from 1 to 99"),
    ("= 30", "= 30\nadministrative_s = '25'", "line 5: administrative_s = '25': must be a whole"),
    ("routine_s", "routin_s", "line 4: unknown key 'routin_s' = 30; allowed: administrative_s"),
    ("touchdown =", "tuchdown =", "line 13: rulings.tuchdown = {'seconds'"),
    ("= 20,", "= 200,", "line 13: touchdown: seconds = 200: must be a whole"),
    ('"card" }\n', '"crad" }\n', "line 13: touchdown: unknown source 'crad'"),
    ("like = 2022\n", "", "line 9: season 2026: missing key 'like'"),
    ("like = 2022", "like = 2023", "line 11: season 2026: like = 2023: must be a season"),
    ("[[seasons]]", "[[seasons]]\nfrom = 2026\nlike = 2020\n[[seasons]]", "season 2026: is there"),
    ('read_as = "text"', 'read_as = "seen"', "line 7: source card: read_as 'seen'"),
    ("[sources]", "[sources", "line 6"),
    ('source = "card" }\n', 'source = """card', "line 13: Unterminated string"),
]


@pytest.mark.parametrize(("whole", "damaged", "says"), WRONG)
def test_what_is_wrong_in_ones_own_file_is_named_with_its_line(
    tmp_path: Path, whole: str, damaged: str, says: str
) -> None:
    words = CUP + CUP_SEASON
    assert whole in words
    file = own(tmp_path, words.replace(whole, damaged, 1))
    with pytest.raises(RulesError) as caught:
        load_rule_set(file)
    assert str(caught.value).startswith(f"{file}: ") and says in str(caught.value)


def test_one_count_has_one_number(tmp_path: Path) -> None:
    words = CUP.replace('"nfhs"', '"flag"').replace("= 30", "= 30\nadministrative_s = 25")
    with pytest.raises(RulesError, match="line 4: routine_s = 30: must be administrative_s too"):
        load_rule_set(own(tmp_path, words))


MISSPELT = [
    ("incomplete_pass =", "incomplet_pass =", "unknown ending 'incomplet_pass'"),
    ('fact = "fourth_down"', 'fact = "forth_down"', "unknown fact 'forth_down'; nearest: fourth"),
]


@pytest.mark.parametrize(("right", "wrong", "says"), MISSPELT)
def test_rest_does_not_answer_for_a_name_misspelt(right: str, wrong: str, says: str) -> None:
    line = 'incomplete_pass = { seconds = 40, starts_on = "dead_ball", source = "a" }\nfoul ='
    text = SMALL.replace("foul =", line, 1)
    assert parsed(text).ruling("incomplete_pass").seconds == 40
    with pytest.raises(RulesError, match=says):
        parsed(text.replace(right, wrong, 1))


def test_an_ending_without_a_ruling_is_named() -> None:
    rest = 'rest = { seconds = 25, starts_on = "ready_for_play", source = "a" }\n'
    with pytest.raises(RulesError, match=r"line 14: rulings: none for stoppage, defense_only, "):
        parsed(SMALL.replace(rest, ""))


def test_what_ships_and_follows_says_why() -> None:
    for code in codes():
        words = (Path(FOLDER) / f"{code}.toml").read_text("utf-8")
        assert ("\nnote = " in words) == ("\nfollows = " in words)


# The record


def swapped(rules: RuleSet, ending: str) -> RuleSet:
    ruling = rules.rulings[ending]
    seconds = rules.administrative_s if ruling.seconds != rules.administrative_s else 40
    return replace(rules, rulings={**rules.rulings, ending: replace(ruling, seconds=seconds)})


@pytest.mark.parametrize("code", codes())
def test_the_fingerprint_changes_with_any_one_number(code: str) -> None:
    rules = load_rule_set(code)
    prints = {fingerprint(swapped(rules, ending)) for ending in rules.rulings}
    assert len(prints | {fingerprint(rules)}) == len(rules.rulings) + 1


def test_the_fingerprint_is_16_hexadecimal_digits_and_the_same_each_time() -> None:
    one, other = fingerprint(load_rule_set("nfhs")), fingerprint(load_rule_set("nfhs"))
    assert one == other
    assert len(one) == 16
    int(one, 16)


@pytest.mark.parametrize(
    "change",
    [
        {"administrative_s": 20},
        {"routine_s": 35},
        {"with_fact": {}},
        {"combinations": ()},
        {"cancelled": frozenset()},
        {"marks": frozenset({7})},
        {"routine_marks": frozenset()},
    ],
)
def test_the_fingerprint_covers_everything_that_decides_a_number_or_a_cue(
    change: dict[str, object],
) -> None:
    rules = load_rule_set("nfhs")
    assert fingerprint(replace(rules, **change)) != fingerprint(rules)  # type: ignore[arg-type]


def test_a_local_adoption_changes_the_fingerprint() -> None:
    rules = load_rule_set("nfhs")
    ours = rules.with_override("touchdown", 25, StartsOn.READY, "Made-up League")
    assert fingerprint(ours) != fingerprint(rules)


def test_a_code_that_follows_itself_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "round.toml").write_text('code = "round"\ntitle = "R"\nfollows = "round"\n')
    monkeypatch.setattr(rule_sets, "FOLDER", str(tmp_path))
    with pytest.raises(RulesError, match=r"round\.toml: line 3: .*follows itself"):
        load_rule_set("round")
