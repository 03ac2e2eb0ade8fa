"""Look at a drug library against the log: one limit's curve, and a replay with that limit moved on a slider.

Start it with ``dripledger explore library_review``, as an app with
``marimo run notebooks/library_review.py -- --site DIR --library VERSION``, or as a script with ``python``.
Without ``--site`` it opens the demo, without ``--library`` the newest version on file. It only reads, and
says nothing of where a limit should stand. What is computed is computed in `dripledger.library` and
`dripledger.exploring`.
"""

import marimo

__generated_with = "0.25.2"
app = marimo.App(width="medium", app_title="dripledger: library review")


@app.cell
def _():
    import marimo as mo

    import dripledger
    from dripledger import exploring
    from dripledger.library import replay
    from dripledger.library.figure import draw_curves

    return draw_curves, dripledger, exploring, mo, replay


@app.cell
def _():
    plain = {"show_column_summaries": False, "show_data_types": False, "show_search": False}
    return (plain,)


@app.cell
def _(dripledger, exploring, mo):
    site = exploring.demo_site(mo.cli_args().get("site"))
    store = dripledger.open(site, mo.cli_args().get("as-of"))
    library = mo.cli_args().get("library")
    review = exploring.LibraryReview(store, None if library is None else str(library))
    return review, site, store


@app.cell
def _(mo, replay, review, site, store):
    mo.md(
        f"# Library {review.version} against the log\n\n"
        f"Store version {store.version} of `{site}` ({store.site.settings.facility}), {review.span_text}.\n\n"
        + "\n\n".join(replay.REPLAY_CAUTIONS)
    )
    return


@app.cell
def _(mo, plain, review):
    mo.vstack(
        [
            mo.md("## As the library stands\n\nLimit alerts that were logged, and what it would warn about."),
            mo.ui.table(review.found.summary, selection=None, page_size=8, **plain),
        ]
    )
    return


@app.cell
def _(mo, review):
    mo.stop(not review.places, mo.md("*No recorded value falls under a soft limit of this library.*"))
    place = mo.ui.dropdown(
        {str(one): one for one in review.places}, str(review.places[0]), label="Limit", full_width=True
    )
    mo.vstack([mo.md("## One limit"), place])
    return (place,)


@app.cell
def _(draw_curves, mo, place, plain, review):
    mo.stop(place.value is None, mo.md("*No limit is chosen.*"))
    told = review.curves(place.value)
    (curve,) = told.drawn
    mo.vstack(
        [
            mo.Html(draw_curves(told).partition("?>")[2]),
            mo.accordion(
                {
                    "The rows behind it": mo.ui.table(curve.table, selection=None, page_size=10, **plain),
                    "What it leaves out": mo.ui.table(told.left_out, selection=None, page_size=10, **plain),
                }
            ),
        ]
    )
    return (curve,)


@app.cell
def _(curve, exploring, mo):
    limit = mo.ui.slider(
        steps=curve.table["limit"].to_pylist(), value=exploring.standing(curve), show_value=True,
        debounce=True, full_width=True, label=f"Move the {curve.side} soft limit ({curve.unit})",
    )  # fmt: skip
    mo.vstack([limit])
    return (limit,)


@app.cell
def _(limit, mo, place, plain, review):
    moved = review.move(place.value, limit.value)
    mo.vstack(
        [
            mo.md(
                f"### Replay with the soft limit at {moved.limit:g} {moved.unit}\n\nOf this concentration "
                "and weight alone; all other limits stay. Looks back: a warned person may act differently."
            ),
            mo.ui.table(moved.summary, selection=None, show_download=False, **plain),
            mo.md(f"{moved.cases.num_rows} cases that would change:"),
            mo.ui.table(moved.cases, selection=None, page_size=8, **plain),
        ]
    )
    return


if __name__ == "__main__":
    app.run()
