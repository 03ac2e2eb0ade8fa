"""Where a browser is asked for, its absence is a failure; elsewhere tests are skipped, with the reason."""

from __future__ import annotations

import pytest

from tests.browser.conftest import REQUIRED, without


def test_without_a_browser_tests_are_skipped_with_the_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(REQUIRED, raising=False)
    with pytest.raises(pytest.skip.Exception, match="no browser at /usr/bin"):
        without("no browser at /usr/bin")


def test_where_a_browser_is_asked_for_its_absence_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(REQUIRED, "1")
    with pytest.raises(pytest.fail.Exception, match=f"no browser at /usr/bin, and {REQUIRED} is set"):
        without("no browser at /usr/bin")
