"""Measures: definitions, calculation, small numbers."""

from dripledger.measures.as_published import edited_since, site_as_published
from dripledger.measures.asked import measures_of
from dripledger.measures.calculate import (
    COLUMNS_AFTER,
    COLUMNS_BEFORE,
    GROUPS,
    calculate,
    check_groups,
    measure_store,
    month_states,
    starts_variants,
    tabulate,
)
from dripledger.measures.cells import MonthState
from dripledger.measures.definitions import DEFINITIONS_VERSION, MEASURES, ROWS
from dripledger.measures.facts import Facts, relations_of
from dripledger.measures.inputs import STORE_TABLES, months_in_store, prepare
from dripledger.measures.measure import Amount, Direction, Form, IntervalKind, Least, Measure, Part
from dripledger.measures.month_facts import Groups, MonthFacts
from dripledger.measures.months import Month, month_range, parse_month
from dripledger.measures.settled import Settled, find_settled
from dripledger.measures.span import refuse_outside, refuse_unbuilt, span_text, store_months

__all__ = [
    "COLUMNS_AFTER",
    "COLUMNS_BEFORE",
    "DEFINITIONS_VERSION",
    "GROUPS",
    "MEASURES",
    "ROWS",
    "STORE_TABLES",
    "Amount",
    "Direction",
    "Facts",
    "Form",
    "Groups",
    "IntervalKind",
    "Least",
    "Measure",
    "Month",
    "MonthFacts",
    "MonthState",
    "Part",
    "Settled",
    "calculate",
    "check_groups",
    "edited_since",
    "find_settled",
    "measure_store",
    "measures_of",
    "month_range",
    "month_states",
    "months_in_store",
    "parse_month",
    "prepare",
    "refuse_outside",
    "refuse_unbuilt",
    "relations_of",
    "site_as_published",
    "span_text",
    "starts_variants",
    "store_months",
    "tabulate",
]
