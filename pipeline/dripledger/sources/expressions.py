"""Expressions in a mapping: parsed alone, checked against a list, rewritten onto staged columns.

A mapping is a person's text, and text that becomes SQL can do anything. So an expression is parsed by itself;
only columns, constants, casts, CASE, operators and the functions in `FUNCTIONS` pass.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

import duckdb

from dripledger.errors import ConfigurationError

#: Scalar functions that an expression may call: none aggregates, reads a file, or differs between two runs.
FUNCTIONS: Final = frozenset({
    "abs", "ceil", "coalesce", "concat", "concat_ws", "contains", "ends_with", "floor", "greatest", "if",
    "ifnull", "isfinite", "least", "left", "length", "lower", "lpad", "ltrim", "md5", "nullif", "prefix",
    "regexp_extract", "regexp_full_match", "regexp_matches", "regexp_replace", "replace", "right", "round",
    "rpad", "rtrim", "sign", "split_part", "starts_with", "strip_accents", "strpos", "substr", "substring",
    "suffix", "translate", "trim", "trunc", "try_strptime", "upper", "date_diff", "datediff", "strftime",
    "to_seconds", "to_minutes", "to_hours", "to_days", "date_trunc", "like_escape", "not_like_escape",
    "+", "-", "*", "/", "//", "%", "||", "~~", "!~~", "~~*", "!~~*",
})  # fmt: skip
_TYPES: Final = frozenset({
    "varchar", "text", "string", "double", "float", "real", "integer", "int", "bigint", "decimal", "numeric",
    "boolean", "bool", "date", "timestamp",
})  # fmt: skip
_CLASSES: Final = {
    "COLUMN_REF": "column", "CONSTANT": "constant", "CASE": "case", "CAST": "cast",
    "COMPARISON": "comparison",
    "CONJUNCTION": "conjunction", "OPERATOR": "operator", "BETWEEN": "between", "FUNCTION": "function",
    "TYPE": "type",
}  # fmt: skip
_OPERATORS: Final = frozenset({
    "OPERATOR_NOT", "OPERATOR_IS_NULL", "OPERATOR_IS_NOT_NULL", "OPERATOR_NULLIF", "OPERATOR_COALESCE",
    "OPERATOR_TRY", "COMPARE_IN", "COMPARE_NOT_IN", "OPERATOR_CAST",
})  # fmt: skip

_lock = threading.Lock()


@cache
def _parser() -> duckdb.DuckDBPyConnection:
    return duckdb.connect(
        ":memory:",
        config={
            "autoinstall_known_extensions": False,
            "autoload_known_extensions": False,
            "enable_external_access": False,
        },
    )


def _refuse(text: str, why: str) -> ConfigurationError:
    return ConfigurationError(
        f"the expression {text!r} is refused: {why}",
        do="Use raw fields, constants, casts, CASE, operators and these functions: "
        + ", ".join(sorted(f for f in FUNCTIONS if f[0].isalpha())),
    )


def _walk(node: Any, text: str, columns: list[str]) -> None:
    if isinstance(node, list):
        for item in node:
            _walk(item, text, columns)
        return
    if not isinstance(node, dict):
        return
    kind = node.get("class")
    if kind is not None:
        if kind not in _CLASSES:
            raise _refuse(text, f"it holds a {str(kind).lower()}")
        if kind == "COLUMN_REF":
            columns.append(".".join(node["column_names"]))
        elif kind == "FUNCTION":
            name = str(node["function_name"]).lower()
            if name not in FUNCTIONS or node.get("schema") or node.get("catalog"):
                raise _refuse(text, f"the function {name!r} is not in the list")
            if node.get("filter") or node.get("distinct") or node.get("order_bys", {}).get("orders"):
                raise _refuse(text, "it aggregates")
        elif kind == "OPERATOR" and node["type"] not in _OPERATORS:
            raise _refuse(text, f"it holds {str(node['type']).lower()}")
        elif kind == "TYPE" and str(node["type_name"]).lower() not in _TYPES:
            raise _refuse(text, f"the type {node['type_name']!r} is not in the list")
    for value in node.values():
        _walk(value, text, columns)


@cache
def _parse(text: str) -> tuple[str, tuple[str, ...]]:
    with _lock:
        answer = (
            _parser().execute("select json_serialize_sql(?::varchar)", [f"select {text}"]).fetchall()[0][0]
        )
    tree = json.loads(answer)
    if tree.get("error"):
        raise _refuse(text, f"it cannot be parsed ({tree.get('error_message', 'no reason given')})")
    statements = tree["statements"]
    node = statements[0]["node"] if len(statements) == 1 else {}
    plain = (
        node.get("type") == "SELECT_NODE"
        and len(node["select_list"]) == 1
        and node["from_table"]["type"] == "EMPTY"
        and not node["modifiers"]
        and not node["cte_map"]["map"]
        and not any(node.get(part) for part in ("where_clause", "having", "qualify", "sample"))
        and not node.get("group_expressions")
        # GROUP BY ALL names no group, and a second word would be a name given to the first
        and node.get("aggregate_handling") == "STANDARD_HANDLING"
        and not node["select_list"][0].get("alias")
    )
    if not plain:
        raise _refuse(text, "it is more than one scalar expression")
    columns: list[str] = []
    _walk(node["select_list"], text, columns)
    return json.dumps(tree), tuple(dict.fromkeys(columns))


def columns_read(text: str) -> tuple[str, ...]:
    """Return the raw fields that an expression reads (dotted paths joined), checking it on the way.

    Raises
    ------
    ConfigurationError
        If the expression is more than a safe scalar expression.
    """
    return _parse(text)[1]


def rewrite(text: str, staged: Mapping[str, str]) -> str:
    """Return the expression's SQL with each raw field replaced by its staged column.

    Parameters
    ----------
    text
        The expression as the mapping writes it.
    staged
        Raw field -> name of the staged column.
    """
    tree = json.loads(_parse(text)[0])

    def replace(node: Any) -> None:
        if isinstance(node, dict):
            if node.get("class") == "COLUMN_REF":
                node["column_names"] = [staged[".".join(node["column_names"])]]
            for value in node.values():
                replace(value)
        elif isinstance(node, list):
            for item in node:
                replace(item)

    replace(tree)
    with _lock:
        select: str = (
            _parser().execute("select json_deserialize_sql(?::json)", [json.dumps(tree)]).fetchall()[0][0]
        )
    return select.removeprefix("SELECT ").strip().removesuffix(";")
