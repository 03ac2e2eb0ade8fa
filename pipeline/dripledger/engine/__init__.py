"""The DuckDB connection with its limits, and the SQL files of the product."""

from dripledger.engine.ahead import read_ahead
from dripledger.engine.connection import connect
from dripledger.engine.sqlfiles import SqlFile, build_relations, load_sql_files, sql_folder

__all__ = ["SqlFile", "build_relations", "connect", "load_sql_files", "read_ahead", "sql_folder"]
