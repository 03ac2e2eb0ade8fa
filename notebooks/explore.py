"""Look around in a store: choose months, care areas and entries; charts and tables follow.

Start it with ``dripledger explore``, or as an app with ``marimo run notebooks/explore.py -- --site DIR``. As
a script, ``python notebooks/explore.py --site DIR``, it runs once from top to bottom. Without ``--site`` it
opens the demo. It only reads. What is computed is computed in `dripledger.exploring` and the queries of
``sql/exploring``.
"""

import marimo

__generated_with = "0.25.2"
app = marimo.App(width="medium", app_title="dripledger: explore")


@app.cell
def _():
    import marimo as mo

    import dripledger
    from dripledger import exploring

    return dripledger, exploring, mo


@app.cell
def _():
    plain = {"show_column_summaries": False, "show_data_types": False, "show_search": False}
    return (plain,)


@app.cell
def _(dripledger, exploring, mo):
    site = exploring.demo_site(mo.cli_args().get("site"))
    store = dripledger.open(site, mo.cli_args().get("as-of"))
    found = exploring.choices(store)
    return found, site, store


@app.cell
def _(exploring, mo, site, store):
    mo.md(
        f"# What the pumps did\n\n"
        f"Store version {store.version} of `{site}` ({store.site.settings.facility}), committed "
        f"{store.committed_at:%Y-%m-%d %H:%M} UTC. Times are local ({store.site.settings.time_zone}).\n\n"
        + "\n\n".join(exploring.CAUTIONS)
    )
    return


@app.cell
def _(exploring, found, mo):
    months = mo.ui.multiselect(found.months, found.months[-4:], label="Months", full_width=True)
    care_areas = mo.ui.multiselect(found.care_areas, found.care_areas, label="Care areas", full_width=True)
    entries = mo.ui.multiselect(found.entries, found.entries, label="Entries", full_width=True)
    measure = mo.ui.dropdown(
        exploring.measure_names(), next(iter(exploring.measure_names())), label="Measure", full_width=True
    )
    mo.vstack([months, care_areas, entries, measure])
    return care_areas, entries, measure, months


@app.cell
def _(care_areas, entries, exploring, months):
    chosen = exploring.Selection(tuple(months.value), tuple(care_areas.value), tuple(entries.value))
    return (chosen,)


@app.cell
def _(chosen, exploring, store):
    measured = exploring.measure_rows(store, chosen)
    return (measured,)


@app.cell
def _(exploring, measure, measured, mo, plain):
    rows = exploring.only_measure(measured, measure.value)
    mo.vstack(
        [
            mo.md(
                "## A measure, by month and care area\n\nOver all entries. Bars are 95 % intervals; a hollow "
                "mark is provisional, and a cross is a month without a value: the table says why. Nothing is "
                "ranked."
            ),
            mo.Html(exploring.draw_measure(rows, measure.value)),
            mo.accordion({"The rows behind it": mo.ui.table(rows, selection=None, page_size=10, **plain)}),
        ]
    )
    return


@app.cell
def _(chosen, exploring, mo, plain, store):
    use = exploring.use_by_month(store, chosen)
    mo.vstack(
        [
            mo.md("## Infusions that were chosen\n\nWithout maintenance and training."),
            mo.Html(exploring.draw_use(use)),
            mo.accordion({"The rows behind it": mo.ui.table(use, selection=None, page_size=10, **plain)}),
        ]
    )
    return


@app.cell
def _(chosen, exploring, mo, plain, store):
    listed = exploring.infusions(store, chosen)
    infusion = mo.ui.table(listed, selection="single", page_size=8, label="Infusions", **plain)
    mo.vstack([mo.md(f"{listed.num_rows} infusions. Choose one to see what was logged in it."), infusion])
    return infusion, listed


@app.cell
def _(exploring, infusion, mo, plain, store):
    mo.stop(infusion.value.num_rows == 0, mo.md("*No infusion is chosen.*"))
    infusion_id = infusion.value["infusion_id"][0].as_py()
    stretches = exploring.stretches_of(store, infusion_id)
    events = exploring.events_of(store, infusion_id)
    mo.vstack(
        [
            mo.md(f"## One infusion\n\n`{infusion_id}`"),
            mo.Html(exploring.draw_infusion(stretches, events)),
            mo.md("Stretches, in which nothing changed:"),
            mo.ui.table(stretches, selection=None, page_size=8, **plain),
            mo.md("Events of its channel and of the whole pump, each with the file and record that say so:"),
            mo.ui.table(events, selection=None, page_size=10, **plain),
        ]
    )
    return


if __name__ == "__main__":
    app.run()
