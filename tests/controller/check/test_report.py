"""Findings: one line each, counted, with what to do."""

from __future__ import annotations

from controller.check.report import Report, look, ok, wrong


def report(columns: int | None = None) -> tuple[Report, list[str]]:
    lines: list[str] = []
    return Report(lines.append, columns), lines


def test_a_finding_is_one_line_with_its_word_what_and_what_to_do() -> None:
    made, lines = report()
    made.take(
        [ok("supply 12.0 V"), look("old firmware", "renew it"), wrong("silent", "plug it in")]
    )
    assert lines == [
        "OK     supply 12.0 V",
        "LOOK   old firmware. To do: renew it",
        "WRONG  silent. To do: plug it in",
    ]


def test_only_something_wrong_makes_the_whole_wrong() -> None:
    made, lines = report()
    made.take([ok("a")])
    made.close()
    assert lines[-1] == "Ready: all is right."
    made.take([look("b", "c")])
    assert not made.wrong
    made.close()
    assert lines[-1] == "Ready; 1 to look at."
    made.take([wrong("d", "e")])
    assert made.wrong
    made.close()
    assert lines[-1] == "Not ready: 1 wrong, and 1 to look at."


def test_on_a_terminal_no_line_is_longer_than_it_and_what_follows_is_set_in() -> None:
    made, lines = report(columns=60)
    words = "the computer's supply was too weak since it was switched on"
    made.take([wrong(words, "use the computer's own power supply and a short, thick cable")])
    assert len(lines) > 1 and max(map(len, lines)) < 60
    assert lines[0].startswith("WRONG  the") and all(each.startswith(" " * 7) for each in lines[1:])
    assert words in " ".join(each.strip() for each in lines)


def test_a_title_stands_alone_and_a_hint_counts_for_nothing() -> None:
    made, lines = report()
    made.title("Boards")
    made.say("showing 40")
    assert lines == ["", "Boards", "       showing 40"]
    assert not made.wrong
