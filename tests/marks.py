"""Marks that stand together."""

from __future__ import annotations

from typing import Final

import pytest

#: What is long and left out of a plain run; `.ci/run` runs it, and so does `-m slow`. A whole function takes
#: both marks by name.
LONG: Final = [pytest.mark.slow, pytest.mark.merge]
