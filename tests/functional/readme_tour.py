"""The five-minute tour of README.md: its commands run, and what they print.

``python -m tests.functional.readme_tour --write`` puts what is printed today into README.md.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"
_BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def section() -> str:
    """Return the part of README.md that is the tour."""
    match = re.search(
        r"^## A five-minute tour\n(.*?)(?=^## )", README.read_text(encoding="utf-8"), re.M | re.S
    )
    assert match, "README has no tour"
    return match[1]


def steps(block: str) -> list[tuple[str, str]]:
    """Return (command, output) of each command of a block; a line that ends with a backslash goes on."""
    found: list[tuple[str, str]] = []
    for line in block.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], ""))
        elif found and found[-1][0].endswith("\\") and not found[-1][1]:
            found[-1] = (f"{found[-1][0]}\n{line}", "")
        else:
            command, output = found[-1]
            found[-1] = (command, f"{output}{line}\n")
    return found


def run(folder: Path) -> list[tuple[str, str]]:
    """Run the whole tour in an empty folder, in one shell; return each command with what it prints."""
    commands = [command for block in _BLOCK.findall(section()) for command, _ in steps(block)]
    programs = Path(sys.executable).parent
    env = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}", "HOME": str(folder), "LC_ALL": "C.UTF-8"}
    env.pop("DRIPLEDGER_KEY_DIR", None)
    mark = "--next command of the tour--"
    script = "".join(f'{command}\necho "$?{mark}"\n' for command in commands)
    done = subprocess.run(
        ["bash", "-c", f"exec 2>&1\n{script}"], cwd=folder, env=env, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, text=True, encoding="utf-8", timeout=300,
    )  # fmt: skip
    told = [re.match(r"(.*?)(\d+)\Z", part, re.DOTALL) for part in done.stdout.split(f"{mark}\n")[:-1]]
    assert len(told) == len(commands), done.stdout[-2000:]
    outputs = []
    for command, found in zip(commands, told, strict=True):
        # a tour that shows a refusal would be frozen with it
        assert found, command
        assert found[2] == "0", f"{command} ends with {found[2]}: {found[1]}"
        outputs.append(found[1])
    return list(zip(commands, outputs, strict=True))


def told() -> list[tuple[str, str]]:
    """Return each command with what README.md says that it prints."""
    return [step for block in _BLOCK.findall(section()) for step in steps(block)]


def write() -> None:
    """Put what is printed today into README.md."""
    with tempfile.TemporaryDirectory() as folder:
        printed = iter(run(Path(folder)))

    def renewed(match: re.Match[str]) -> str:
        lines = [f"$ {command}\n{output}" for command, output in (next(printed) for _ in steps(match[1]))]
        return f"```console\n{''.join(lines)}```"

    before = section()
    text = README.read_text(encoding="utf-8")
    README.write_text(text.replace(before, _BLOCK.sub(renewed, before)), encoding="utf-8")


if __name__ == "__main__" and sys.argv[1:] == ["--write"]:
    write()
