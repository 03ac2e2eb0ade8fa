"""The examples in docstrings and in README's Python blocks run, on a small demo, and give what they say."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import dripledger
from dripledger import dosing, exploring, reading, statistics

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _modules(package: ModuleType) -> list[ModuleType]:
    found = [package]
    for info in pkgutil.iter_modules(getattr(package, "__path__", [])):
        found.append(importlib.import_module(f"{package.__name__}.{info.name}"))
    return found


def _examples() -> list[doctest.DocTest]:
    finder = doctest.DocTestFinder(exclude_empty=True)
    modules = [dripledger, reading, *_modules(statistics), *_modules(dosing), *_modules(exploring)]
    found = [test for module in modules for test in finder.find(module, module.__name__)]
    return [test for test in found if test.examples]


@pytest.fixture(scope="module")
def folder(small_demo: Path) -> Path:
    """Return a folder with the demo of README's tour in it."""
    return small_demo


@pytest.mark.parametrize("test", _examples(), ids=lambda test: test.name)
def test_example(test: doctest.DocTest, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    told: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    result = runner.run(test, out=told.append)
    assert result.failed == 0, "".join(told)


def test_what_a_notebook_needs_has_an_example() -> None:
    named = {test.name for test in _examples()}
    wanted = {"dripledger.open"} | {
        f"dripledger.reading.Store.{name}"
        for name in ("table", "arrow", "pandas", "sql", "measures", "trace")
    }
    assert wanted <= named


@pytest.mark.parametrize("package", [statistics, dosing, exploring], ids=lambda module: module.__name__)
def test_everything_public_is_documented_in_numpy_style(package: ModuleType) -> None:
    for name in package.__all__:
        thing = getattr(package, name)
        if not callable(thing):
            continue
        text = inspect.getdoc(thing) or ""
        assert len(text) >= 20, f"{package.__name__}.{name} has no docstring"
        if inspect.isfunction(thing):
            known = {n for n, p in inspect.signature(thing).parameters.items() if p.annotation is p.empty}
            assert not known, f"{package.__name__}.{name}: parameters without a type: {known}"


@pytest.mark.parametrize("number", range(README.count("```python")))
def test_python_of_the_readme_runs(number: int, folder: Path) -> None:
    code = re.findall(r"```python\n(.*?)```", README, re.DOTALL)[number]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=folder, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_the_public_rooms_come_with_the_package() -> None:
    code = "import dripledger as d; print(d.statistics.wilson([8], [10]).low[0] > 0, d.dosing.rate_ml_h)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("True <function")
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        dripledger.nothing  # noqa: B018
