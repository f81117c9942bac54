"""Field words: what people say for endings and facts, read alike wherever they are typed.

A line is folded to plain words, cut into phrases that are known (``synonyms.toml`` and the names
themselves), and each phrase gives an ending, a fact, or an ending with its facts, in any order.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

from controller.rules.endings import ENDINGS, FACTS
from controller.rules.rulings import RulesError, RuleSet

FILE: Final = os.path.join(os.path.dirname(__file__), "synonyms.toml")  # noqa: PTH118, PTH120
"""The synonyms. Without pathlib: ``ruling`` must answer as fast as Python starts."""
SUGGESTED: Final = 3
"""At most so many names are suggested for a word that is not known."""
LONGEST_SHOWN: Final = 32
"""Characters of what was typed that an error repeats: a console of 80 columns has the rest too."""

_ALIKE = 0.75
"""From here on two words are spelt alike."""
_LEAST = 0.55
"""A phrase less like than this is not suggested."""
_MUCH_WORSE = 0.06
"""Nor one that is so much less like than the best."""
_MOST_LOST = 6
"""Words that are looked for: a long line must not keep the clock waiting."""
_BY_MEANING = 0.85
"""What a description's word counts beside a phrase's own."""
_SILENT = frozenset(["a", "an", "and", "is", "its", "of", "on", "or", "that", "the", "was", "were"])
_PLAIN: Final[Mapping[int, str | None]] = {
    **{code: " " for code in range(128) if not chr(code).isalnum()},
    **dict.fromkeys(map(ord, "'`\N{LEFT SINGLE QUOTATION MARK}\N{RIGHT SINGLE QUOTATION MARK}")),
}
"""Apostrophes go without leaving a gap; what else is no letter or digit is a blank."""


class WordsError(RulesError):
    """Words that mean nothing, or more than one thing; the message says what to say instead."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a line tells: endings, each once, in the order told, and facts."""

    endings: tuple[str, ...]
    facts: frozenset[str]


class Sense(NamedTuple):
    """What a phrase stands for.

    ``beside`` is the fact that it is when another ending is told. ``say`` are the phrases to say
    instead where it is all that is told of how the play ended and leaves that open, ``because`` the
    words that lead to them.
    """

    names: tuple[str, ...] = ()
    beside: str = ""
    say: tuple[str, ...] = ()
    because: str = ""


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Every phrase, folded, with its meaning, and the ending that a fact tells alone."""

    spelling: Mapping[str, str]
    meanings: Mapping[str, Sense]
    phrases: Mapping[str, tuple[str, ...]]
    """Each phrase as it is written, for a reader, with its folded words."""
    alone: Mapping[str, str]
    longest: int
    """Words of the longest phrase."""


_LOADED: list[Vocabulary] = []


def vocabulary() -> Vocabulary:
    """The words that ship with the controller, read once."""
    if not _LOADED:
        with open(FILE, "rb") as file:  # noqa: PTH123
            _LOADED.append(parse_vocabulary(file.read().decode("utf-8")))
    return _LOADED[0]


def read_words(text: str, rules: RuleSet) -> Told:
    """The endings and facts of ``text``, at least one ending.

    Raises :class:`WordsError` for a word that is not known, and for one that leaves open what is
    meant.
    """
    exact = text.split()
    if exact and all(name in ENDINGS or name in FACTS for name in exact):
        told = Told(tuple(dict.fromkeys(filter(ENDINGS.__contains__, exact))), frozenset())
        if told.endings:  # the names themselves need no synonyms, and a ruling no file more
            return replace(told, facts=frozenset(exact) - set(told.endings))
    known, pieces = _pieces(text, rules, "no ending named: say how the play ended")
    ends = [piece for piece in pieces if _has_ending(piece)]
    plain = [piece for piece in ends if not piece.beside]
    first = next(iter(plain or ends), None)  # beside it "kickoff" and their like are facts
    endings: dict[str, None] = {}
    facts: set[str] = set()
    for piece in pieces:
        if piece.say and not (piece.names and first):
            raise WordsError(f"{shown(text)}: {piece.because} {_either(piece.say)}")
        for name in (piece.beside,) if piece.beside and piece is not first else piece.names:
            if name in ENDINGS:
                endings[name] = None
            else:
                facts.add(name)
    if not endings:
        endings = {known.alone[fact]: None for fact in sorted(facts) if fact in known.alone}
    if not endings:
        fact = in_plain(sorted(facts)[0])
        raise WordsError(
            f"{shown(text)} does not say how the play ended; for example: incomplete pass {fact}"
        )
    return Told(tuple(endings), frozenset(facts))


def read_facts(text: str, rules: RuleSet) -> frozenset[str]:
    """The facts of ``text``, which names no ending. Raises :class:`WordsError`."""
    if text in FACTS:
        return frozenset({text})
    _, pieces = _pieces(text, rules, "no fact named")
    facts: set[str] = set()
    for piece in pieces:
        names = (piece.beside,) if piece.beside else piece.names
        if not names or any(name in ENDINGS for name in names):
            raise WordsError(f"{shown(text)} tells how a play ended: it is an ending, not a fact")
        facts.update(names)
    return frozenset(facts)


def ending_named(text: str) -> str:
    """The name of the one ending that ``text`` tells, and nothing else; else ``text`` as it is."""
    known = vocabulary()
    meaning = known.meanings.get("".join(fold(text, known.spelling)), Sense())
    [name, *more] = meaning.names or (text,)
    return name if name in ENDINGS and not more and not meaning.say else text


def in_plain(name: str) -> str:
    """An ending's or a fact's name in plain words: ``incomplete pass``."""
    return name.replace("_", " ")


def _either(phrases: tuple[str, ...]) -> str:
    return ", ".join(phrases[:-1]) + f" or {phrases[-1]}"


def shown(text: str) -> str:
    """What was typed, for an error: in quotes, in one line, cut short."""
    words = " ".join(text.split())
    return repr(words if len(words) <= LONGEST_SHOWN else f"{words[: LONGEST_SHOWN - 1]}\u2026")


# Folding


def fold(text: str, spelling: Mapping[str, str]) -> list[str]:
    """The words of ``text`` that carry meaning, each spelt one way."""
    plain = text.casefold().translate(_PLAIN)
    if not plain.isascii():
        plain = "".join(char if char.isalnum() else " " for char in plain)
    words: list[str] = []
    for word in plain.split():
        if word in spelling:
            words += spelling[word].split()
        elif word not in _SILENT:
            words.append(word)
    return words


# Reading a line


def _pieces(text: str, rules: RuleSet, nothing: str) -> tuple[Vocabulary, list[Sense]]:
    known = _with_facts_of(vocabulary(), rules)
    words = fold(text, known.spelling)
    if not words:
        raise WordsError(f"{shown(text)}: {nothing}")
    ends = _ends(words, known)
    if len(words) not in ends:
        raise WordsError(_unknown(text, words, max(ends, default=0), ends, known))
    pieces: list[Sense] = []
    end = len(words)
    while end:
        begin = ends[end]
        pieces.insert(0, known.meanings["".join(words[begin:end])])
        end = begin
    return known, pieces


def _ends(words: list[str], known: Vocabulary) -> dict[int, int]:
    """Each place up to which the words are known, with the beginning of the phrase that ends there:
    of all ways to cut the line the one with the fewest phrases, the longest first."""
    fewest, ends = {0: 0}, {}
    for begin in range(len(words)):
        if begin not in fewest:
            continue
        for end in range(begin + 1, min(len(words), begin + known.longest) + 1):
            longer = fewest[begin] + 1
            if "".join(words[begin:end]) in known.meanings and longer < fewest.get(end, 1 << 30):
                fewest[end], ends[end] = longer, begin
    return ends


def _with_facts_of(known: Vocabulary, rules: RuleSet) -> Vocabulary:
    """With the facts that only this rule set has."""
    own = rules.facts - FACTS.keys()
    if not own:
        return known
    meanings = dict(known.meanings)
    for name in own:
        meanings.setdefault("".join(fold(name, known.spelling)), Sense((name,)))
    return replace(known, meanings=meanings)


def _has_ending(piece: Sense) -> bool:
    return any(name in ENDINGS for name in piece.names)


# What is not known


def _unknown(
    text: str, words: list[str], begin: int, ends: Mapping[int, int], known: Vocabulary
) -> str:
    """Names the words that are not known, and up to three phrases that may have been meant."""
    end = next(
        (at for at in range(begin + 1, len(words)) if len(words) - at in _ends(words[at:], known)),
        len(words),
    )
    lost = words[begin : min(end, begin + _MOST_LOST)]
    before = words[ends.get(begin, begin) : begin]
    near = suggestions(lost, (lost, before + lost, words[begin : end + 1]), known)
    whole = begin == 0 and end == len(words)
    hint = f"nearest: {', '.join(near)}" if near else "say how the play ended"
    return f"{shown(text if whole else ' '.join(lost))} is not known; {hint}"


def suggestions(lost: list[str], contexts: Iterable[list[str]], known: Vocabulary) -> list[str]:
    """Up to three phrases that the ``lost`` words may have been meant to be.

    ``contexts`` are those words with some that stand beside them. A phrase is near by its spelling,
    or an ending or a fact by what it is described to be; none that has nothing of the lost words.
    """
    described = {
        in_plain(name): tuple(fold(words, known.spelling))
        for name, words in (*ENDINGS.items(), *FACTS.items())
    }
    alike = _Likeness([*known.phrases.values(), *described.values()])
    likeness: dict[str, float] = {}

    def found(phrase: str, how: float) -> None:
        likeness[phrase] = max(likeness.get(phrase, 0.0), how)

    for words in contexts:
        together = "".join(words)
        for phrase, parts in known.phrases.items():
            if alike.any(lost, parts):
                found(phrase, alike.phrase(words, parts))
            found(phrase, alike.pair(together, "".join(parts)))
        for phrase, parts in described.items():
            if len(words) > 1 and alike.any(lost, parts):
                found(phrase, _BY_MEANING * alike.covered(words, parts))
    return _best_of(likeness, known)


def _best_of(likeness: Mapping[str, float], known: Vocabulary) -> list[str]:
    """The phrases most alike, one for each meaning, none much worse than the best."""
    least = max(_LEAST, max(likeness.values(), default=0.0) - _MUCH_WORSE)
    best: dict[tuple[str, ...], str] = {}
    for phrase in sorted(likeness, key=lambda each: (-likeness[each], each)):
        if likeness[phrase] >= least:
            names = known.meanings["".join(known.phrases[phrase])].names
            if names:
                best.setdefault(names, phrase)
    return list(best.values())[:SUGGESTED]


class _Likeness:
    """How far words are those of a phrase: 0 to 1. Each pair of words is compared once."""

    def __init__(self, phrases: Iterable[tuple[str, ...]]) -> None:
        import difflib  # noqa: PLC0415 - only an error needs it

        self._matcher = difflib.SequenceMatcher(autojunk=False)
        self._parts = {part for parts in phrases for part in parts}
        self._like: dict[str, dict[str, float]] = {}

    def any(self, words: Iterable[str], parts: Iterable[str]) -> bool:
        """True when one of ``words`` is like one of ``parts``."""
        return any(not self._parts_like(word).keys().isdisjoint(parts) for word in words)

    def phrase(self, words: Collection[str], parts: Collection[str]) -> float:
        """What either has of the other."""
        return 2 * self._shared(words, parts) / (len(words) + len(parts))

    def covered(self, words: Collection[str], parts: Collection[str]) -> float:
        """The part of ``words`` that is found among ``parts``."""
        return self._shared(words, parts) / len(words)

    def _shared(self, words: Iterable[str], parts: Iterable[str]) -> float:
        return sum(max(self._parts_like(word).get(part, 0.0) for part in parts) for word in words)

    def _parts_like(self, word: str) -> dict[str, float]:
        if word not in self._like:
            pairs = ((part, self.pair(word, part)) for part in self._parts)
            self._like[word] = {part: alike for part, alike in pairs if alike}
        return self._like[word]

    def pair(self, word: str, other: str) -> float:
        """Words that share less than three letters of four are not alike at all."""
        if word == other:
            return 1.0
        if abs(len(word) - len(other)) > 3 or len(word) < 3 or len(other) < 3:
            return 0.0
        letters, others = set(word), set(other)
        if 2 * len(letters & others) < len(letters | others):  # the cheaper test
            return 0.0
        self._matcher.set_seqs(word, other)
        ratio = self._matcher.ratio()
        return ratio if ratio >= _ALIKE else 0.0


# Loading


def parse_vocabulary(text: str) -> Vocabulary:
    """The vocabulary of a synonyms file. Raises :class:`WordsError` for a damaged one."""
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise WordsError(f"synonyms.toml: {error}") from error
    spelling = {word: str(other) for word, other in document.get("spelling", {}).items()}
    meanings: dict[str, Sense] = {}
    phrases: dict[str, tuple[str, ...]] = {}
    for phrase, meaning in _entries(document):
        words = fold(phrase, spelling)
        for key in {"".join(words), phrase.replace(" ", "")}:
            meanings[key] = _merged(phrase, meanings.get(key), meaning)
        phrases[phrase] = tuple(words)
    alone = dict(document.get("alone", {}))
    for fact, ending in alone.items():
        if fact not in FACTS or ending not in ENDINGS:
            raise WordsError(f"synonyms.toml: alone: {fact} = {ending!r}: a fact and its ending")
    longest = max(map(len, phrases.values()))
    return Vocabulary(spelling, meanings, phrases, alone, longest)


def _entries(document: Mapping[str, Any]) -> Iterator[tuple[str, Sense]]:
    for name in (*ENDINGS, *FACTS):
        yield in_plain(name), Sense((name,))
    for table, first in (("endings", ENDINGS), ("facts", FACTS)):
        for words, phrases in document.get(table, {}).items():
            names = tuple(words.split())
            if names[0] not in first or not FACTS.keys() >= set(names[1:]):
                raise WordsError(f"synonyms.toml: {table}: {words!r} is not known")
            for phrase in phrases:
                yield phrase, Sense(names)
    for fact, phrases in document.get("beside", {}).items():
        if fact not in FACTS:
            raise WordsError(f"synonyms.toml: beside: {fact!r} is not a fact")
        for phrase in phrases:
            yield phrase, Sense(beside=fact)
    for row in document.get("unclear", []):
        because = row.get("because", "say")
        for phrase in row["words"]:
            yield phrase, Sense(say=tuple(row["say"]), because=because)


def _merged(phrase: str, there: Sense | None, more: Sense) -> Sense:
    """A phrase may have one meaning, another beside an ending, and be unclear alone."""
    if there is None:
        return more
    names = more.names or there.names
    if there.names and more.names and there.names != more.names:
        if there.names[0] not in FACTS:
            raise WordsError(f"synonyms.toml: {phrase!r} means {there.names} and {more.names}")
        names = more.names  # the fact's own name is an ending when it stands alone
    return Sense(
        names,
        more.beside or there.beside,
        more.say or there.say,
        more.because or there.because,
    )
