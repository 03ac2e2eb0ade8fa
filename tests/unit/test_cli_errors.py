"""Every way a verb can fail ends in one message and its exit code."""

from __future__ import annotations

import argparse
import errno

import pytest

from dripledger import errors
from dripledger.cli import main
from dripledger.commands import verbs


def _interrupted_in_the_engine() -> RuntimeError:
    # DuckDB's own wording when Ctrl-C arrives during a query
    error = errors.UsageError("the query failed")
    error.__cause__ = RuntimeError("Query interrupted")
    return error  # type: ignore[return-value]


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (errors.UsageError("no such month"), 2, "no such month."),
        (
            errors.ConfigurationError("is empty", where="pumps.csv", row=3, column="pump"),
            2,
            "row 3, column 'pump'",
        ),
        (errors.StoreFormatError("newer"), 2, "newer"),
        (errors.InputError("is not UTF-8"), 3, "UTF-8"),
        (errors.VerificationError("changed"), 5, "changed"),
        (errors.StoreBusyError("in use"), 6, "in use"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (RuntimeError("Query interrupted"), 130, "interrupted"),
        (_interrupted_in_the_engine(), 130, "interrupted"),
        (PermissionError(errno.EACCES, "Permission denied", "/x/store"), 2, "/x/store: Permission denied"),
        (OSError(errno.ENOSPC, "No space left on device"), 1, "No space left on device"),
        (ModuleNotFoundError("No module named 'jinja2'", name="jinja2"), 2, "dripledger[report]"),
        (ModuleNotFoundError("No module named 'dripledgr'", name="dripledgr"), 1, "defect"),
        (ZeroDivisionError("division by zero\nmore"), 1, "ZeroDivisionError: division by zero)"),
    ],
)
def test_failure(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    code: int,
    words: str,
) -> None:
    def fail(_: argparse.Namespace) -> int:
        raise error

    monkeypatch.setattr(verbs, "status", fail)
    assert main(["status"]) == code
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert words in captured.err
    assert captured.err.startswith("dripledger: ")


def test_debug_shows_where(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def fail(_: argparse.Namespace) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr(verbs, "status", fail)
    assert main(["status", "--debug"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_the_verbs_code_is_the_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verbs, "status", lambda _: errors.EXIT_QUARANTINE_SHARE)
    assert main(["status"]) == 4
