"""`explore`: a notebook in the browser, on the loopback address alone, and only for who holds its key."""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import time
import webbrowser
from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from dripledger.commands.output import say
from dripledger.errors import DripledgerError, UsageError

_HOST: Final = "127.0.0.1"
#: How long the server may take to answer.
_START_S: Final = 60.0


def start(args: Namespace) -> int:
    """Start a notebook and wait until it is stopped.

    Parameters
    ----------
    args
        The command line. Without ``--site`` the current folder is opened, or the demo where it is no site.

    Returns
    -------
    int
        0 once it was stopped with Ctrl-C.
    """
    import marimo  # noqa: F401 (told before anything is started where it is missing)

    from dripledger.exploring import notebook_file

    if args.library is not None and args.notebook != "library_review":
        raise UsageError("--library goes with the notebook library_review")
    site = _site(args)
    _try(site, args)
    notebook = notebook_file(args.notebook)
    port = _port(args.port)
    key = secrets.token_urlsafe(24)
    given = ["--site", str(site)]
    for option, value in (("--as-of", args.as_of), ("--library", args.library)):
        given += [] if value is None else [option, value]
    with tempfile.TemporaryDirectory(prefix="dripledger-explore-") as folder:
        command = [
            sys.executable, "-m", "marimo", "-q", "run", str(notebook), "--host", _HOST, "--port", str(port),
            "--headless", "--no-check", "--token", "--token-password-file", "-", "--", *given,
        ]  # fmt: skip
        with _running(command, key, Path(folder)) as server:
            _wait(server, port, Path(folder))
            # the key is in the part of the address that the notebook takes; others on this computer lack it
            address = f"http://{_HOST}:{port}/?access_token={key}"
            print(address, flush=True)
            say("reachable from this computer alone, and only by this address; stop it with Ctrl-C.")
            if not args.no_browser and sys.stdout.isatty():
                webbrowser.open(address)
            try:
                code = server.wait()
            except KeyboardInterrupt:
                say("stopped.")
                return 0
        raise DripledgerError(f"the notebook ended by itself (code {code})")


def _site(args: Namespace) -> Path:
    from dripledger.exploring import demo_site

    given = getattr(args, "site", None)
    if given is not None:
        return Path(given)
    return Path() if Path("site.toml").is_file() else demo_site()


def _try(site: Path, args: Namespace) -> None:
    """Refuse here, in one message, what the notebook would refuse in the browser."""
    from dripledger.exploring import LibraryReview
    from dripledger.measures import refuse_unbuilt
    from dripledger.reading import open_store

    with open_store(site, args.as_of) as store:
        refuse_unbuilt(store.snapshot)
        if args.library is not None:
            LibraryReview(store, args.library).close()


def _port(asked: int | None) -> int:
    with socket.socket() as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((_HOST, asked or 0))
        except OSError as error:
            raise UsageError(
                f"port {asked} cannot be used: {error.strerror}", do="Name another one with --port, or none"
            ) from None
        port: int = trial.getsockname()[1]
        return port


@contextlib.contextmanager
def _running(command: list[str], key: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Run the server; however this ends, it ends too, and what it writes for itself goes with the folder."""
    env = dict(os.environ)
    with contextlib.suppress(ModuleNotFoundError):
        import matplotlib

        env["MPLCONFIGDIR"] = matplotlib.get_cachedir()
    env |= {name: str(folder) for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME")}
    with (folder / "output.txt").open("w", encoding="utf-8") as told:
        server = subprocess.Popen(  # noqa: S603 (our own interpreter and notebook)
            command, stdin=subprocess.PIPE, stdout=told, stderr=told, text=True, env=env,
            start_new_session=True,
        )  # fmt: skip
    before = signal.signal(signal.SIGTERM, _leave)
    try:
        if server.stdin is not None:
            server.stdin.write(key)
            server.stdin.close()
        yield server
    finally:
        signal.signal(signal.SIGTERM, before)
        server.terminate()
        try:
            server.wait(timeout=1)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _leave(number: int, _frame: Any) -> None:
    raise SystemExit(128 + number)


def _wait(server: subprocess.Popen[str], port: int, folder: Path) -> None:
    """Wait until the server answers."""
    until = time.monotonic() + _START_S
    while time.monotonic() < until:
        if server.poll() is not None:
            break
        with contextlib.suppress(OSError), socket.create_connection((_HOST, port), timeout=1):
            return
        time.sleep(0.1)
    lines = (folder / "output.txt").read_text(encoding="utf-8", errors="replace").strip().splitlines()
    raise DripledgerError(f"the notebook did not start: {lines[-1] if lines else 'it says nothing'}")
