"""Where the notebooks lie, and which site they open when none is named."""

from __future__ import annotations

from pathlib import Path

from dripledger.errors import UsageError

#: The notebooks, by the name under which `dripledger explore` starts them.
NOTEBOOKS = ("explore", "library_review")


def notebook_file(name: str) -> Path:
    """Return the file of a notebook: inside the wheel, else in the checkout.

    Raises
    ------
    UsageError
        If there is none of that name.
    """
    package = Path(__file__).resolve().parents[1]
    shipped = package / "_notebooks"
    folder = shipped if shipped.is_dir() else package.parents[1] / "notebooks"
    path = folder / f"{name}.py"
    if name not in NOTEBOOKS or not path.is_file():
        raise UsageError(
            f"there is no notebook {name!r}", where=folder, do=f"There are: {', '.join(NOTEBOOKS)}"
        )
    return path


def demo_site(given: object = None) -> Path:
    """Return the site that a notebook opens.

    Parameters
    ----------
    given
        What ``--site`` says; None or empty: ``demo`` in the current folder, else at the top of the checkout,
        as ``dripledger demo demo`` makes it.

    Raises
    ------
    UsageError
        If none is named and there is no demo.
    """
    if given not in (None, "", True):
        return Path(str(given))
    places = [Path("demo"), Path(__file__).resolve().parents[3] / "demo"]
    for place in places:
        if (place / "site.toml").is_file():
            return place
    raise UsageError(
        "there is no demo here", do="Make one with 'dripledger demo demo', or name a site with --site"
    )
