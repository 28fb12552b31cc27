"""A YAML reader for hand-written files: plain data only, no surprises, every value with its line.

The scalars follow the core schema of YAML 1.2, not 1.1: ``NO`` is Norway and not false, ``06:30`` is a time
and not 390, and a number with a point is a Decimal, so that money stays exact. A key given twice is a
fault. Tags are refused; aliases are allowed but counted with what they stand for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import yaml

from router.kernel.faults import Fault

MOST_BYTES = 1_000_000
MOST_VALUES = 200_000
"""Counted after aliases are followed; a network of a hundred machines has a few thousand."""
DEEPEST = 24

Path = tuple[str | int, ...]

_INT = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|(0|[1-9][0-9]*)(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_STR_TAG, _NO_TAG = "tag:yaml.org,2002:str", "!"


class Refused(Exception):
    """The file as a whole cannot be taken further."""

    def __init__(self, line: int, found: str, expected: str) -> None:
        self.line, self.found, self.expected = line, found, expected


class _NotTooDeep(yaml.composer.Composer):
    """Composes nodes as the base does, but refuses depth before it becomes slow."""

    depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.depth > DEEPEST:
            line = self.peek_event().start_mark.line + 1  # type: ignore[attr-defined]
            raise Refused(line, f"more than {DEEPEST} levels", f"at most {DEEPEST} levels")
        self.depth += 1
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node


class _PlainLoader(_NotTooDeep, yaml.SafeLoader):
    """Every plain scalar stays text, typed by this module afterwards."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, Any]]] = {}  # noqa: RUF012 (the base declares it so)


def _over_libyaml() -> Any:
    """The same loader over libyaml's parser; None where PyYAML came without it."""
    if not yaml.__with_libyaml__:
        return None
    from yaml import cyaml

    class OverLibyaml(_NotTooDeep, cyaml.CParser, yaml.resolver.BaseResolver):  # type: ignore[name-defined, misc]
        def __init__(self, text: str) -> None:
            cyaml.CParser.__init__(self, text)  # type: ignore[attr-defined]
            _NotTooDeep.__init__(self)
            yaml.resolver.BaseResolver.__init__(self)

    return OverLibyaml


_QuickLoader = _over_libyaml()


def _root(text: str) -> yaml.Node | None:
    """The document's node. libyaml reads six times as fast; what it refuses is read again for plainer words."""
    if _QuickLoader is not None:
        try:
            return _node(_QuickLoader(text))
        except yaml.YAMLError:
            pass
    return _node(_PlainLoader(text))


def _node(loader: Any) -> yaml.Node | None:
    try:
        node: yaml.Node | None = loader.get_single_node()
        return node
    finally:
        loader.dispose()


@dataclass
class Document:
    """The data of a file and the line on which every value starts."""

    data: Any = None
    lines: dict[Path, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def line(self, path: Path) -> int | None:
        """Line of the value, or of the nearest thing around it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)


def read_yaml(raw: bytes, file: str) -> Document:
    """Parse one YAML document. Everything wrong is in ``faults``; ``data`` is None when nothing could be read."""
    document = Document()

    def refuse(where: str, found: str, expected: str) -> Document:
        document.faults.append(Fault(file, where, "", found, expected))
        document.data = None
        return document

    if len(raw) > MOST_BYTES:
        return refuse("", f"{len(raw)} bytes", f"at most {MOST_BYTES} bytes")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = raw[: wrong.start].count(b"\n") + 1
        return refuse(f"line {line}", f"byte 0x{raw[wrong.start]:02x}", "text in UTF-8")
    try:
        root = _root(text)
        if root is None:
            return refuse("", "an empty file", "a YAML mapping")
        document.data = _Builder(document, file).build(root, (), (), 0)
    except yaml.reader.ReaderError as wrong:
        line = text[: wrong.position].count("\n") + 1
        return refuse(f"line {line}", f"the character {wrong.character!r}", "printable characters")
    except yaml.MarkedYAMLError as wrong:
        mark = wrong.problem_mark or wrong.context_mark
        where = f"line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        return refuse(where, f"YAML that does not parse: {wrong.problem or wrong.context}", "valid YAML")
    except Refused as wrong:
        return refuse(f"line {wrong.line}", wrong.found, wrong.expected)
    return document


class _Builder:
    def __init__(self, document: Document, file: str) -> None:
        self._document, self._file, self._values = document, file, 0

    def build(self, node: yaml.Node, path: Path, open_nodes: tuple[int, ...], depth: int) -> Any:
        line = node.start_mark.line + 1
        self._values += 1
        if self._values > MOST_VALUES:
            raise Refused(
                line,
                f"more than {MOST_VALUES} values once aliases are followed",
                "a smaller file without nested aliases",
            )
        if depth > DEEPEST:
            raise Refused(line, f"more than {DEEPEST} levels", f"at most {DEEPEST} levels")
        if id(node) in open_nodes:
            raise Refused(line, "an alias inside its own anchor", "an alias to something that ends before it")
        self._document.lines.setdefault(path, line)
        inside = (*open_nodes, id(node))
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, line)
        standard = "tag:yaml.org,2002:" + ("seq" if isinstance(node, yaml.SequenceNode) else "map")
        if node.tag != standard:
            raise Refused(line, f"the tag {node.tag}", "plain YAML without tags")
        if isinstance(node, yaml.SequenceNode):
            return [self.build(child, (*path, k), inside, depth + 1) for k, child in enumerate(node.value)]
        assert isinstance(node, yaml.MappingNode)
        return self._mapping(node, path, inside, depth)

    def _mapping(self, node: yaml.MappingNode, path: Path, inside: tuple[int, ...], depth: int) -> dict[str, Any]:
        result: dict[str, Any] = {}
        merged: list[dict[str, Any]] = []
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                raise Refused(line, "a key that is not plain text", "a field name")
            key = str(key_node.value)
            if not key.isprintable():
                raise Refused(line, f"the key {key.encode('unicode_escape').decode()[:60]}", "a field name")
            if key == "<<" and not key_node.style:
                sources = value_node.value if isinstance(value_node, yaml.SequenceNode) else [value_node]
                for source in sources:
                    value = self.build(source, (*path, "<<"), inside, depth + 1)
                    if not isinstance(value, dict):
                        raise Refused(line, "<< with something other than a mapping", "<<: *anchor of a mapping")
                    merged.append(value)
                continue
            if key in result:
                first = self._document.lines.get((*path, key), line)
                self._document.faults.append(
                    Fault(
                        self._file,
                        f"line {line}",
                        key,
                        f"the key a second time (first on line {first})",
                        "every key once",
                    )
                )
                continue
            self._document.lines[(*path, key)] = line
            result[key] = self.build(value_node, (*path, key), inside, depth + 1)
        for source in merged:
            for key, value in source.items():
                result.setdefault(key, value)
        return result

    @staticmethod
    def _scalar(node: yaml.ScalarNode, line: int) -> Any:
        text = str(node.value)
        if node.tag not in (_STR_TAG, _NO_TAG):
            raise Refused(line, f"the tag {node.tag}", "plain YAML without tags")
        if node.style or node.tag == _NO_TAG:
            return text
        if text in ("", "~", "null", "Null", "NULL"):
            return None
        if text in ("true", "True", "TRUE"):
            return True
        if text in ("false", "False", "FALSE"):
            return False
        if len(text) <= 40:
            if _INT.fullmatch(text):
                return int(text)
            if _FLOAT.fullmatch(text):
                return Decimal(text)
        return text
