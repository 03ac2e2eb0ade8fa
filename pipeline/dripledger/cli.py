"""The command line: runs the verb that was asked for, and tells a failure in one message.

Nothing heavy is imported here: ``dripledger --help`` must not wait for a database engine. Each verb is a
function in `dripledger.commands.verbs`, which imports the rooms that it needs when it is called.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence

from dripledger.commands.arguments import parse
from dripledger.commands.unattended import Watch
from dripledger.errors import EXIT_INTERRUPTED, DripledgerError, UsageError, disk_failure, printable

#: Optional packages by the extra that brings them, for a message when one is missing.
_EXTRAS = {
    "jinja2": "report",
    "matplotlib": "report",
    "typst": "report",
    "scipy": "statistics",
    "pandas": "explore",
    "marimo": "explore",
}


_INTERRUPTED = "interrupted; what was not committed is not in the store."


def _tell(message: str) -> None:
    print(f"dripledger: {printable(message)}", file=sys.stderr)


def _run(argv: Sequence[str], alone: bool = False) -> int:
    debug = "--debug" in argv
    watch = Watch()

    def interrupted() -> int:
        _tell(_INTERRUPTED)
        return watch.ended(EXIT_INTERRUPTED, told=_INTERRUPTED)

    try:
        args = parse(argv)
        args.alone = alone
        from dripledger.commands import verbs
        from dripledger.commands.interrupts import prompt_interrupts

        watch = Watch.begin(args)
        handler: Callable[[argparse.Namespace], int] = getattr(verbs, args.command)
        with prompt_interrupts(interrupted), watch.silence():
            code = handler(args)
        return watch.ended(code)
    except KeyboardInterrupt:
        return interrupted()
    except BrokenPipeError:
        watch.ended(0)
        raise
    except Exception as error:
        if _was_interrupted(error):
            return interrupted()
        if debug:
            import traceback

            traceback.print_exc()
        code, message = _explain(error)
        _tell(message)
        return watch.ended(code, error, message)


def _was_interrupted(error: BaseException | None) -> bool:
    """Whether an interrupt lies behind an error: DuckDB turns one into a RuntimeError of its own."""
    while error is not None:
        if isinstance(error, KeyboardInterrupt) or str(error).strip() == "Query interrupted":
            return True
        error = error.__cause__ or error.__context__
    return False


def _explain(error: Exception) -> tuple[int, str]:
    """Return the exit code of an error, and the one message that tells it."""
    if isinstance(error, DripledgerError):
        return error.exit_code, str(error)
    if (failed := disk_failure(error)) is not None:
        return failed.exit_code, str(failed)
    if isinstance(error, ModuleNotFoundError) and error.name in _EXTRAS:
        extra = _EXTRAS[error.name]
        told = f"this needs the package {error.name!r}. Install it with: pip install 'dripledger[{extra}]'"
        return UsageError.exit_code, told
    if isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        wrong_place = (
            PermissionError,
            FileNotFoundError,
            FileExistsError,
            NotADirectoryError,
            IsADirectoryError,
        )
        code = UsageError.exit_code if isinstance(error, wrong_place) else 1
        return code, f"{place}{error.strerror or error}."
    first = (str(error).strip().splitlines() or [""])[0]
    return 1, f"a defect of this program ({type(error).__name__}: {first}). Add --debug to see where."


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    argv
        Arguments without the program's name; default: the process's own.

    Returns
    -------
    int
        0 done, 1 a defect, 2 usage or configuration, 3 unreadable input, 4 quarantine share, 5 verification,
        6 store in use, 130 interrupted.
    """
    try:
        code = _run(sys.argv[1:] if argv is None else argv, alone=argv is None)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output went away (as `head` does): that is its right, and no error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except KeyboardInterrupt:
        _tell(_INTERRUPTED)
        code = EXIT_INTERRUPTED
    return code


if __name__ == "__main__":
    sys.exit(main())
