"""README and --help know every command and option, and only those."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from dripledger import errors
from dripledger.commands import verbs
from dripledger.commands.arguments import build_parser, subcommands

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
COMMANDS = subcommands(build_parser())


def _section(title: str) -> str:
    match = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    assert match, f"README has no section {title!r}"
    return match[1]


def _options(parser: argparse.ArgumentParser) -> set[str]:
    return {flag for action in parser._actions for flag in action.option_strings if flag.startswith("--")}


def _row(command: str) -> str:
    rows = [line for line in _section("Commands").splitlines() if line.startswith(f"| `dripledger {command}")]
    assert len(rows) == 1, f"README's table of commands needs one row for {command!r}"
    return rows[0]


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_readme_documents_command_and_its_own_options(command: str) -> None:
    shared = {"--site", "--debug", "--help", "--format", "--json", "--as-of", "--quiet", "--log", "--summary"}
    for option in _options(COMMANDS[command]) - shared:
        assert option in _row(command), f"README's row of {command!r} lacks {option}"


def test_readme_documents_shared_options() -> None:
    text = _section("Commands")
    everywhere = {option for parser in COMMANDS.values() for option in _options(parser)}
    for option in everywhere | _options(build_parser()):
        assert f"`{option}" in text or f" {option}" in text or f"[{option}" in text, option


def test_readme_documents_no_command_that_does_not_exist() -> None:
    named = set(re.findall(r"(?:`|bin/)dripledger ([a-z]+)", README))
    assert named <= set(COMMANDS), "README names a command that the command line does not have"
    assert named == set(COMMANDS)


def test_readme_documents_no_option_that_does_not_exist() -> None:
    known = {option for parser in COMMANDS.values() for option in _options(parser)} | {"--version"}
    assert set(re.findall(r"--[a-z][a-z-]+", _section("Commands"))) <= known


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_command_has_help_and_an_example(command: str) -> None:
    text = COMMANDS[command].format_help()
    assert f"example:\n  dripledger {command}" in text
    assert COMMANDS[command].description
    for action in COMMANDS[command]._actions:
        assert action.help, f"{command}: {action.dest} has no help"


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_command_has_a_function(command: str) -> None:
    assert callable(getattr(verbs, command))


def test_exit_codes_are_the_documented_ones() -> None:
    codes = {kind.exit_code for kind in errors.DripledgerError.__subclasses__()}
    codes |= {0, 1, errors.EXIT_QUARANTINE_SHARE, errors.EXIT_INTERRUPTED}
    documented = {int(code) for code in re.findall(r"^\| (\d+) \|", _section("Commands"), re.MULTILINE)}
    assert documented == codes
    helped = {int(code) for code in re.findall(r"^  (\d+) ", build_parser().format_help(), re.MULTILINE)}
    assert helped == codes


def test_readme_has_the_two_commands_in_one_line_each() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", _section("Two commands"), re.DOTALL)
    assert len(blocks) == 2
    assert all(block.count("\n") == 1 and " && " in block for block in blocks)
    assert blocks[0].rstrip().endswith("dripledger demo demo")
    assert "pytest" in blocks[1]
