"""A signed-in way into the board, for every test of its pages."""

from pathlib import Path

from flask.testing import FlaskClient

from dashboards import access
from dashboards.access import Sight
from monitor.store import users
from monitor.store.record import Record, open_record
from monitor.store.users import Doer, Reach, Visitor

WHOLE = Reach(whole=True)


def visitor(role: str = "owner", reach: Reach = WHOLE, *, name: str = "Ann") -> Visitor:
    """Somebody with a role, without a session in any record."""
    return Visitor(name, role, reach, session_id=0, made_s=0, seen_s=0, by_link=False)


def sight(record: Record, role: str = "owner", reach: Reach = WHOLE) -> Sight:
    """What somebody with a role sees of a record."""
    return access.sight(record, visitor(role, reach))


def session(
    home: Path, *, now_s: int, role: str = "owner", reach: Reach = WHOLE, name: str = ""
) -> str:
    """Make a user and begin their session: the secret of its cookie."""
    by, name = Doer("test", now_s), name or role.title()
    with open_record(home) as record:
        if not any(users.is_same(user.name, name) for user in users.listed(record.engine)):
            users.add(record.engine, name, role=role, reach=reach, password=None, by=by)
        return users.begin(record.engine, name, by=Doer(name, now_s))


def sign_in(client: FlaskClient, home: Path, *, now_s: int, role: str = "owner") -> FlaskClient:
    """Give a client the session of a user."""
    client.set_cookie("sillkeep", session(home, now_s=now_s, role=role))
    return client
