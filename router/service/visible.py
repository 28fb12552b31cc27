"""What an actor may see of order lines: export-controlled ones are for cleared people only.

Two things are hidden: the lines themselves, and names that stand on no line the actor sees (of lines, orders,
customers, models and places), wherever they turn up in a sentence.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from router.kernel.faults import Conflict
from router.service.cells import own_name
from router.service.desk import Desk
from router.service.ports import Work
from router.service.receipts import Once, hold_key
from router.service.records import Actor, FormerName, LineRecord, ModelRecord
from router.service.rights import may_see_code

_READINGS = 5
"""So often what is hidden is worked out anew when the book changed meanwhile."""
RESTRICTED = "restricted"
"""Stands for lines the person is not cleared for."""
RESTRICTED_TEXT = "about a line you are not cleared for"
_RUN = re.compile(r"[A-Za-z0-9._-]+")
"""Longest pieces of text that could be an identifier (formats.scalars)."""
_MARKS = re.compile(r"[._-]")
"""An identifier may hold these and end in them, and so may the sentence around it."""


@dataclass(frozen=True, slots=True)
class _Group:
    """Lines of one export code (None: of none), and what stands on them."""

    lines: frozenset[str]
    names: frozenset[str]
    former: frozenset[str]
    """Names that stood on them; that one is on a line now is what makes it no secret, not that it was."""
    models: frozenset[str]
    pairs: frozenset[tuple[str, str]]
    """Line and its model."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """What an actor must not be told."""

    lines: frozenset[str]
    names: frozenset[str]
    """Names of these lines, their orders, customers, models and places, now and formerly, as far as no line that is
    seen has them; and of hidden models that no line uses."""
    pairs: frozenset[tuple[str, str]]
    """Each hidden line and its model."""
    models: frozenset[str]
    """Kept names of models that are not there for the actor."""


def hidden_from(desk: Desk, actor: Actor) -> Hidden:
    """What of the book the actor is not cleared for.

    To be asked after what it is to be kept out of was read: asked before, it may be of a book without lines that the
    reading tells of.
    """
    return _of(_book(desk), actor)


@contextmanager
def hiding(desk: Desk, actor: Actor, once: Once | None = None) -> Iterator[tuple[Work, Hidden]]:
    """A transaction that writes, in which the book stays as it is, and what of that book the actor is not cleared for.

    Worked out before others have to wait: none looks from inside. ``once``: the key it is asked with.

    Raises Conflict where the book changes all the time.
    """
    for _ in range(_READINGS):
        with desk.store.look() as work:
            revision = work.revision.now()
        hidden = hidden_from(desk, actor)
        with desk.store.begin() as work:
            hold_key(work, actor, once)
            work.revision.hold()
            if work.revision.now() == revision:
                yield work, hidden
                return
    raise Conflict("the order book changes one time after the other just now; try again in a moment")


def models_seen(desk: Desk, actor: Actor) -> list[ModelRecord]:
    """Kept models that are there for the actor: read with the very lines that say which are not."""
    book = _book(desk)
    hidden = _of(book, actor).models
    return [m.record for name, m in book.models.items() if name not in hidden]


def _of(book: _Book, actor: Actor) -> Hidden:
    groups, models = book.groups, book.models
    seen = [g for code, g in groups.items() if may_see_code(actor, code)]
    unseen = [g for code, g in groups.items() if not may_see_code(actor, code)]
    pairs = frozenset[tuple[str, str]]().union(*(g.pairs for g in unseen))
    lines = frozenset[str]().union(*(g.lines for g in unseen))
    models_seen = frozenset[str]().union(*(g.models for g in seen))
    used = {own_name(*pair) for pair in pairs} & models.keys()
    used |= {model for line_id, model in pairs if own_name(line_id, model) not in models} - models_seen
    left = {
        name
        for name, m in models.items()
        if not m.used and not all(may_see_code(actor, code) for code in m.record.export_codes)
    }
    hidden = frozenset(used | left)
    before = {name.split("/", 1)[-1] for name in left}.union(*(g.former for g in unseen))
    # What a model that is seen is called is no secret, though a hidden line was once built of another of the name.
    names = frozenset[str]().union(*(g.names for g in unseen)) | left | (before - (models.keys() - hidden))
    if names:
        names = names.difference(*(g.names for g in seen))
    return Hidden(lines, names, pairs, hidden)


def hidden_lines(desk: Desk, actor: Actor) -> frozenset[str]:
    """Lines of the book the actor is not cleared for."""
    return hidden_from(desk, actor).lines


def hidden_names(desk: Desk, actor: Actor) -> frozenset[str]:
    """Names that a sentence for the actor must not hold; see ``told``."""
    return hidden_from(desk, actor).names


@dataclass(frozen=True, slots=True)
class _Model:
    """A kept model, and whether a line of the book is built of it."""

    record: ModelRecord
    used: bool


@dataclass(frozen=True, slots=True)
class _Book:
    """All that decides what is hidden, of one state of the book."""

    groups: Mapping[str | None, _Group]
    """By export code."""
    models: Mapping[str, _Model]
    """By kept name."""


def _book(desk: Desk) -> _Book:
    with desk.store.look() as work:
        revision = work.revision.now()

    def make() -> _Book:
        with desk.store.look() as work:
            lines, former_names = work.lines.all(), work.lines.former_names()
            kept = {m.name: m for m in work.models.all()}
        users = users_of(lines, kept)
        models = {name: _Model(record, name in users) for name, record in kept.items()}
        return _Book(_groups(lines, former_names), models)

    found: _Book = desk.memory.get(("hidden", revision), make)
    return found


def _groups(lines: Sequence[LineRecord], former_names: Sequence[FormerName]) -> dict[str | None, _Group]:
    by_code: dict[str | None, list[LineRecord]] = defaultdict(list)
    for line in lines:
        by_code[line.export_control].append(line)
    code_of = {line.line_id: line.export_control for line in lines}
    former: dict[str | None, set[str]] = defaultdict(set)
    for x in former_names:
        # Told to nobody who is not cleared for what the line is now, nor for what it was when it had the name.
        for code in {x.export_control, code_of[x.line_id]} - {None}:
            former[code].add(x.name)
    return {code: _group(by_code[code], former[code]) for code in {*by_code, *former}}


def users_of(lines: Sequence[LineRecord], kept: Collection[str]) -> dict[str, list[LineRecord]]:
    """Lines by the kept name of the model they are built of: their own where they have one."""
    found: dict[str, list[LineRecord]] = defaultdict(list)
    for line in lines:
        own = own_name(line.line_id, line.model)
        found[own if own in kept else line.model].append(line)
    return dict(found)


def _group(lines: list[LineRecord], former: set[str]) -> _Group:
    names = frozenset[str]().union(*(names_of(x) for x in lines))
    return _Group(
        frozenset(x.line_id for x in lines),
        names,
        frozenset(former),
        frozenset(x.model for x in lines),
        frozenset((x.line_id, x.model) for x in lines),
    )


def names_of(line: LineRecord) -> frozenset[str]:
    """Names that stand on a line."""
    names = {line.line_id, line.customer, line.model, line.ship_place, line.cells.get("ship_to", "")}
    if not line.order_id.isdecimal():  # a bare number is no name: it would hide every sentence with that figure
        names.add(line.order_id)
    return frozenset(names - {""})


def names_any(text: str, names: frozenset[str]) -> bool:
    """Whether a text holds one of the names, as a word or, for names of several words, as a piece of it.

    However large the letters and wide the white space are, on both sides.
    """
    if not names:
        return False
    folded, wanted = _folded(text), _wanted(names)
    if any(_holds(run, wanted) for run in _RUN.findall(folded)):
        return True
    return any(phrase in folded for phrase in wanted.phrases)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Names as they are looked for."""

    words: frozenset[str]
    heads: frozenset[str]
    """How each word begins, as many characters as the shortest has: most places of a text are none."""
    lengths: tuple[int, ...]
    phrases: tuple[str, ...]
    """Those of several words."""


def _holds(run: str, wanted: _Wanted) -> bool:
    """Whether the run is a name, with marks at its ends taken off, or a part between marks (``for_name.csv``).

    Bare numbers too: where a hidden line is named by one, a date that holds it hides its sentence as well.
    """
    if run in wanted.words:
        return True
    ends = {0, len(run), *(k for mark in _MARKS.finditer(run) for k in mark.span())}
    head = wanted.lengths[0] if wanted.lengths else 0
    return any(
        run[start : start + head] in wanted.heads
        and any(start + n in ends and run[start : start + n] in wanted.words for n in wanted.lengths)
        for start in ends
    )


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


@lru_cache(maxsize=64)
def _wanted(names: frozenset[str]) -> _Wanted:
    folded = frozenset(_folded(n) for n in names) - {""}
    words = frozenset(n for n in folded if _RUN.fullmatch(n))
    lengths = tuple(sorted({len(n) for n in words}))
    heads = frozenset(n[: lengths[0]] for n in words)
    return _Wanted(words, heads, lengths, tuple(sorted(folded - words)))


def values_told(values: Mapping[str, Any], names: frozenset[str]) -> dict[str, Any]:
    """JSON values as somebody may read them who must not read some names."""
    if not names:
        return dict(values)
    return {key: _value_told(value, names) for key, value in values.items() if not names_any(key, names)}


def _value_told(value: Any, names: frozenset[str]) -> Any:
    if isinstance(value, str):
        return told(value, names)
    if isinstance(value, Mapping):
        return values_told(value, names)
    if isinstance(value, list | tuple):
        return [_value_told(x, names) for x in value]
    return value


def told(text: str, names: frozenset[str]) -> str:
    """A sentence for somebody who must not read some names: one that holds any is not shown."""
    return RESTRICTED_TEXT if names_any(text, names) else text
