"""The rule set and the policies of an installation, read back in plain words."""

from __future__ import annotations

from collections.abc import Iterator

from controller.check.report import Finding, look, ok
from controller.config.model import Config
from controller.rulebook.own_file import is_path
from controller.rulebook.wording import titled
from controller.rules.rulings import RuleSet, StartsOn
from controller.rules.settings import Settings

STARTS = {
    StartsOn.DEAD_BALL: "starts when the ball is dead",
    StartsOn.READY: "waits for the ready for play",
    StartsOn.SIGNAL: "acts at once on the referee's signal",
}
_WORDS = {
    "start_lag_s": "a count at the dead ball starts {:g} s after the signal",
    "same_down_s": "an end of play within {:g} s of the last one is the same one",
    "stoppage_holds_s": "an end of play within {:g} s of a stoppage is of the same down",
    "same_press_s": "the same order within {:g} s changes nothing",
    "field_stands_s": "the field official's press stands for {:g} s against the keeper's",
    "nudge_s": "a ball live for longer than {:g} s is asked about once: did the play end?",
}
_NONE = {
    "start_lag_s": "a count at the dead ball starts at the signal",
    "same_down_s": "every end of play is a new down",
    "stoppage_holds_s": "every end of play after a stoppage is a new down",
    "same_press_s": "the same order again counts again",
    "field_stands_s": "the field official's press never stands against the keeper's",
    "nudge_s": "a play's end that nobody pressed is never asked about",
}
"""The same for 0."""


def rules(rule_set: RuleSet, config: Config | None) -> Iterator[Finding]:
    """What is in force. ``config`` is None for the simulator."""
    routine = STARTS[rule_set.rulings["routine"].starts_on]
    yield ok(
        f"rule set {rule_set.code}, {titled(rule_set)}: "
        f"{rule_set.routine_s} seconds after a routine play ({routine}), "
        f"else {rule_set.administrative_s}"
    )
    yield from settings(config.play_clock if config else Settings())
    if config is None:
        return
    for each in config.overrides:
        how = STARTS[StartsOn(each.starts_on)]
        yield look(
            f"local rule: after {each.ending.replace('_', ' ')} {each.seconds} seconds, which "
            f"{how} ({each.citation})",
            "make sure that the referee knows this adoption",
        )
    for name, value in config.options:
        yield look(
            f"option {name.replace('_', ' ')}: {value.replace('_', ' ')}",
            "make sure that the referee knows this adoption",
        )
    if is_path(config.rules):
        yield look(
            f"rules of your own: {config.rules}", "make sure that the referee knows this adoption"
        )
    elif not config.overrides and not config.options:
        yield ok("no local rules: the rule set as published")
    yield unauthenticated(config.allow_unauthenticated)


def settings(chosen: Settings) -> Iterator[Finding]:
    """Each setting of the play clock; what differs from its default wants a look."""
    usual = Settings()
    for name, words in _WORDS.items():
        value, default = getattr(chosen, name), getattr(usual, name)
        said = words.format(value) if value else _NONE[name]
        if value == default:
            yield ok(said)
        else:
            advice = f"make sure that this is wanted: {name}, else {default:g}"
            yield look(f"{said} (usual: {default:g} s)", advice)


def unauthenticated(allowed: bool) -> Finding:
    """Whether the clock may be driven by what anyone could imitate."""
    if not allowed:
        return ok("only paired handsets and the console drive the clock")
    return look(
        "inputs that anyone could imitate may drive the clock",
        "for a game set allow_unauthenticated = false",
    )
