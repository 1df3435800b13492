"""What nodes of the lot said last of themselves: which probes fail, and why."""

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select

from monitor.store import schema as t
from monitor.store.dialects import insert


def keep(
    connection: Connection, told: Mapping[tuple[str, str], tuple[int, Mapping[str, str]]]
) -> None:
    """Keep the newest state of each node that is in the record; a stranger's is no matter."""
    known = {(row[1], row[2]): row[0] for row in connection.execute(_nodes())}
    for key, (at_s, faults) in told.items():
        if (number := known.get(key)) is None:
            continue
        values = {"at_s": at_s, "faults": json.dumps(dict(faults), sort_keys=True)}
        entered = insert(t.node_state).values(node_id=number, **values)
        connection.execute(entered.on_conflict_do_update(index_elements=["node_id"], set_=values))


def faults(connection: Connection) -> dict[tuple[str, str], tuple[int, dict[str, str]]]:
    """When each node last told its state, and its faults then, by site and node."""
    query = _nodes(t.node_state.c.at_s, t.node_state.c.faults).join(
        t.node_state, t.node_state.c.node_id == t.node.c.node_id
    )
    return {(row[1], row[2]): (row[3], json.loads(row[4])) for row in connection.execute(query)}


def _nodes(*more: Any) -> Any:  # noqa: ANN401  columns in, a question out
    return select(t.node.c.node_id, t.site.c.code, t.node.c.code, *more).join_from(t.node, t.site)
