"""The store: schema, two engines behind one transaction object, and every SQL statement of the collector."""

from ebbmark_collector.store.tx import Params, Row, Store, Tx, Value, from_ms, savepoint, to_ms

__all__ = ["Params", "Row", "Store", "Tx", "Value", "from_ms", "savepoint", "to_ms"]
