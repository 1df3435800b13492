"""Triggers that void the checksum of a group of rows, as the revisions from 0006 on made them.

A revision never changes, so nor does this: another shape of trigger gets a function of its own.
"""


def triggers(keys):
    """Statements for tables that have a checksum a row group; `keys`: table -> column of its group."""
    for table, key in keys.items():
        for action, rows in (
            ("INSERT", ("NEW.",)),
            ("UPDATE", ("OLD.", "NEW.")),
            ("DELETE", ("OLD.",)),
        ):
            body = " ".join(
                f"DELETE FROM checksum WHERE kind = '{table}' AND a = {row}{key} AND b = 0;"  # noqa: S608
                for row in rows
            )
            yield (
                f"CREATE TRIGGER checksum_{table}_{action.lower()} AFTER {action} ON {table}"
                f" BEGIN {body} END"
            )
