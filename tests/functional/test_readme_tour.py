"""The tour of README.md prints what README.md says.

Make it anew: ``python -m tests.functional.readme_tour --write``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.functional import readme_tour


@pytest.mark.slow
@pytest.mark.merge
def test_the_tour_prints_what_readme_says(tmp_path: Path) -> None:
    folder = tmp_path / "an empty folder"
    folder.mkdir()
    printed = readme_tour.run(folder)
    assert len(printed) >= 8
    for found, wanted in zip(printed, readme_tour.told(), strict=True):
        assert found == wanted, "make the tour anew: python -m tests.functional.readme_tour --write"


def test_steps_of_a_block() -> None:
    block = "$ one \\\n  --more\nprinted\n$ two\n$ three\na\n\nb\n"
    assert readme_tour.steps(block) == [("one \\\n  --more", "printed\n"), ("two", ""), ("three", "a\n\nb\n")]
