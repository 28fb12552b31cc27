"""The commands the documents print are commands: their words are taken and their files are there."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest
import typer.main
from typed_command import Typed

from router.bootstrap import Settings
from router.cli.commands import app

ROOT = Path(__file__).resolve().parents[3]
DOCUMENTS = ("README.md", "router/api/DEPLOY.md")
_DONE = re.compile(r"^ {4}(?:\.venv/bin/)?(platewright .*)$", re.MULTILINE)


def _commands() -> list[list[str]]:
    return [
        shlex.split(line, comments=True)[1:]
        for document in DOCUMENTS
        for line in _DONE.findall((ROOT / document).read_text(encoding="utf-8"))
    ]


def _site_command() -> list[str]:
    return next(words for words in _commands() if words[0] == "site")


@pytest.mark.parametrize("words", _commands(), ids=" ".join)
def test_words_are_taken_and_files_are_there(words: list[str]) -> None:
    command: click.Command = typer.main.get_command(app)
    context = click.Context(command, info_name="platewright")
    left = list(words)
    while isinstance(command, click.Group):
        found = command.get_command(context, left.pop(0))
        assert found is not None, words
        command = found
    command.make_context("platewright", left)  # reads the words, raises on any it does not know, runs nothing
    for word in words:
        assert not word.startswith("scenarios/") or (ROOT / word).exists(), word


def test_the_choice_of_a_site_runs_as_it_is_printed(
    tmp_path: Path, typed: Typed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("router.cli.commands.cache_dir", lambda: tmp_path / "cache")
    monkeypatch.chdir(ROOT)
    words = _site_command()
    words[words.index("--out") + 1] = str(tmp_path / "next")
    code, said = typed(*words)
    assert code == 0, said


def test_one_port_everywhere() -> None:
    port = str(Settings.from_environment({}).port)
    for document in DOCUMENTS:
        text = (ROOT / document).read_text(encoding="utf-8")
        assert set(re.findall(r"127\.0\.0\.1:(\d+)", text)) == {port}, document


def test_the_extra_for_notebooks_that_is_printed_is_there() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    for document in ("README.md", "notebooks/README.md"):
        assert "'.[notebooks]'" in (ROOT / document).read_text(encoding="utf-8")
    assert any("jupyter" in name for name in extras["notebooks"])
