"""Runs looked for in any combination, newest first, a page at a time by the number of the last run, never by OFFSET.

Facets are few, so they are looked for first, in any combination. Then one index leads, the one with the least to read:
a whole serial number, an order, the beginning of a serial number, three letters each of a part of it, or, for each
facet by itself, its newest runs. What the leading index gives is held against everything else that was asked.
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, inspect, text

from testbench.errors import RecordsOlderError
from testbench.procedure.serials import compared
from testbench.station.searching import SHORTEST_PART, FoundRun, Search
from testbench.store.database import Database
from testbench.store.derived import BATCH, FACETS, json_list, search_line

DENSE = 100_000
"""Runs that one index may give to be held against the rest, where another way may be shorter."""
MOST_READ = 400_000
"""Runs of the facets that are held against a part of a serial number one by one, at most."""
CHEAPER = 4
"""How many of them are read in the time that one run found by its letters takes (measured)."""
WINDOW = 20_000
"""The newest lines, in which a search that fits many runs fills its page at once."""
_BEYOND = "\U0010ffff"
# The numbers of a span of days: months are few, and within each an index has the lowest and the highest number. A clock
# that was set back makes the bounds wider, never wrong.
_BOUNDS = """
WITH RECURSIVE months(month) AS (
    SELECT min(substr(day, 1, 7)) FROM search_line WHERE substr(day, 1, 7) BETWEEN :first AND :last
    UNION ALL
    SELECT (SELECT min(substr(day, 1, 7)) FROM search_line
            WHERE substr(day, 1, 7) > months.month AND substr(day, 1, 7) <= :last)
    FROM months WHERE month IS NOT NULL
)
SELECT min((SELECT min(run) FROM search_line s WHERE substr(s.day, 1, 7) = months.month)),
       max((SELECT max(run) FROM search_line s WHERE substr(s.day, 1, 7) = months.month))
FROM months WHERE month IS NOT NULL
"""
_LINES = """
SELECT r.id AS run, r.started, r.serial, coalesce(r.order_number, '') AS "order", f.product, f.procedure, f.standard,
       f.verdict, r.ended, r.reason, r.stages, f.operator, f.bench, f.origin, r.record_sha256,
       coalesce((SELECT path FROM document d WHERE d.run = r.number ORDER BY d.seq DESC LIMIT 1), '') AS document
FROM json_each(:numbers) n JOIN run r ON r.number = n.value
JOIN search_line l ON l.run = r.number JOIN facet f ON f.id = l.facet ORDER BY r.number DESC
"""


@dataclass(slots=True)
class Asked:
    """A search in the words of the tables: what must hold of a ``search_line`` named l, and of which numbers."""

    conditions: list[str] = field(default_factory=list)
    values: dict[str, Any] = field(default_factory=dict)
    facets: dict[int, int] | None = None
    """By key, how many runs have it; None where nothing was asked of them."""

    def add(self, condition: str, **values: Any) -> None:
        """One more thing that must hold."""
        self.conditions.append(condition)
        self.values |= values

    @property
    def where(self) -> str:
        """All of it."""
        return " AND ".join(self.conditions) or "1"

    @property
    def many(self) -> bool:
        """Whether the facets leave so many runs that the newest may fill a page."""
        return self.among is None or self.among > DENSE

    @property
    def among(self) -> int | None:
        """How many runs have the facets."""
        return None if self.facets is None else sum(self.facets.values())


class SearchReader:
    """Searches."""

    _database: Database

    def search(self, asked: Search, limit: int = 50, before: str | None = None) -> list[FoundRun]:
        """The closed runs that fit, newest first.

        Args:
            asked: what must hold.
            limit: how many at most.
            before: give those before this run: the last one of the page that was shown.

        Raises:
            RunUnknownError: ``before`` is no run.
            RecordsOlderError: the tables are from before there was anything to search in.
        """
        with self._searching() as connection:
            number = None if before is None else self._number(connection, before)
            numbers = numbers_of(connection, asked, limit, number)
            rows = connection.execute(text(_LINES), {"numbers": json_list(numbers)}).mappings()
            return [FoundRun(**row) for row in rows]

    def search_all(self, asked: Search) -> Iterator[FoundRun]:
        """Every run that fits, newest first; read in batches, so that any number of them takes little memory."""
        before = None
        while found := self.search(asked, BATCH, before):
            yield from found
            before = found[-1].run

    @contextmanager
    def _searching(self) -> Iterator[Connection]:
        """A view of tables that can be searched.

        Raises:
            RecordsOlderError: they are from before there was anything to search in.
        """
        with self._database.reading() as connection:
            if not inspect(connection).has_table(search_line.name):
                raise RecordsOlderError(str(self._database.path))
            yield connection

    def _number(self, connection: Connection, run: str) -> int:
        raise NotImplementedError


def numbers_of(connection: Connection, asked: Search, limit: int, before: int | None = None) -> list[int]:
    """The numbers of the newest runs that fit."""
    plan = asked_of(connection, asked)
    if plan is None:
        return []
    if before is not None:
        plan.add("l.run < :before", before=before)
    if plan.many and not asked.serial and not asked.order:
        newest = _newest(connection, plan, limit)
        if len(newest) == limit:
            return newest
    query = _query(connection, asked, plan)
    return list(connection.scalars(text(query), plan.values | {"limit": limit}))


def asked_of(connection: Connection, asked: Search) -> Asked | None:
    """What must hold of a line, whichever index leads; None where nothing can fit."""
    plan = Asked()
    plan.facets = _facets(connection, asked)
    if plan.facets is not None:
        if not plan.facets:
            return None
        plan.add("l.facet IN (SELECT value FROM json_each(:facets))", facets=json_list(plan.facets))
    if asked.since is not None or asked.until is not None:
        days = {"since": str(asked.since or ""), "until": str(asked.until or "9999-12-31")}
        months = {"first": days["since"][:7], "last": days["until"][:7]}
        lowest, highest = connection.execute(text(_BOUNDS), months).one()
        if lowest is None:
            return None
        plan.add("l.day >= :since AND l.day <= :until", **days)
        plan.add("l.run >= :lowest AND l.run <= :highest", lowest=lowest, highest=highest)
    _add_serial(plan, asked)
    if asked.order:
        plan.add("l.run IN (SELECT number FROM run WHERE order_number = :order)", order=asked.order)
    return plan


def _add_serial(plan: Asked, asked: Search) -> None:
    if asked.serial:
        plan.add("l.serial = :serial", serial=compared(asked.serial))
    if asked.prefix:
        least = compared(asked.prefix)
        plan.add("l.serial >= :least AND l.serial < :beyond", least=least, beyond=least + _BEYOND)
    if asked.part:
        plan.add("instr(l.serial, :part)", part=compared(asked.part))


def _facets(connection: Connection, asked: Search) -> dict[int, int] | None:
    conditions = [f"{name} = :{name}" for name in ("verdict", "bench", "origin") if getattr(asked, name)]
    for name, where in (
        ("product", "product"),
        ("operator", "operator"),
        ("procedure", "procedure || ' ' || standard"),
    ):
        if getattr(asked, name):
            conditions.append(f"instr(lower({where}), lower(:{name}))")
    if not conditions:
        return None
    query = f"SELECT id, runs FROM facet WHERE {' AND '.join(conditions)}"  # noqa: S608 - our own words
    values = {name: getattr(asked, name) for name in FACETS if getattr(asked, name, "")}
    found = {row.id: row.runs for row in connection.execute(text(query), values)}
    every = connection.scalar(text("SELECT count(*) FROM facet"))
    return None if found and len(found) == every else found


# Which index leads -------------------------------------------------------------------------------


def _query(connection: Connection, asked: Search, plan: Asked) -> str:
    """The statement that gives the newest numbers."""
    where, among, loose = plan.where, plan.among, _loose(plan)
    newest = "ORDER BY l.run DESC LIMIT :limit"
    if asked.serial or asked.order:
        return f"SELECT l.run FROM search_line l WHERE {loose} {newest}"  # noqa: S608 - our own words
    if asked.prefix and _few_begin_so(connection, plan):
        within = "search_line l INDEXED BY ix_search_line_serial_run_facet_day"
        return f"SELECT l.run FROM {within} WHERE {loose.replace('l.run ', '+l.run ')} {newest}"  # noqa: S608
    letters = asked.part or asked.prefix
    if len(compared(letters)) >= SHORTEST_PART:
        plan.values["grams"] = _grams(compared(letters))
        if among is None or among > MOST_READ or _few_hold_it(connection, plan, among // CHEAPER):
            within = "serial_part p JOIN search_line l ON l.run = p.rowid"
            bounds = loose.replace("l.run ", "p.rowid ")
            return (
                f"SELECT p.rowid FROM {within} WHERE serial_part MATCH :grams AND {bounds} "  # noqa: S608
                "ORDER BY p.rowid DESC LIMIT :limit"
            )
    if among is None:
        return f"SELECT l.run FROM search_line l NOT INDEXED WHERE {loose} {newest}"  # noqa: S608 - our own words
    each = where.replace("l.facet IN (SELECT value FROM json_each(:facets))", "l.facet = k.value")
    return (
        "SELECT o.run FROM json_each(:facets) k CROSS JOIN search_line o ON o.run IN ("  # noqa: S608 - our own words
        f"SELECT l.run FROM search_line l WHERE {each} {newest}) ORDER BY o.run DESC LIMIT :limit"
    )


def _newest(connection: Connection, plan: Asked, limit: int) -> list[int]:
    """What fits among the newest lines below the bounds."""
    top = min(plan.values.get("before", math.inf), plan.values.get("highest", math.inf) + 1)
    least = int(top if top < math.inf else connection.scalar(text("SELECT max(run) FROM search_line")) or 0) - WINDOW
    query = (
        f"SELECT l.run FROM search_line l NOT INDEXED WHERE l.run >= :least_run AND {_loose(plan)} "  # noqa: S608
        "ORDER BY l.run DESC LIMIT :limit"
    )
    return list(connection.scalars(text(query), plan.values | {"limit": limit, "least_run": least}))


def _loose(plan: Asked) -> str:
    """All of it, written so that no index of the facets is chosen to lead."""
    return plan.where.replace("l.facet IN", "+l.facet IN")


def _few_begin_so(connection: Connection, plan: Asked) -> bool:
    count = "SELECT count(*) FROM (SELECT 1 FROM search_line WHERE serial >= :least AND serial < :beyond LIMIT :dense)"
    values = {name: plan.values[name] for name in ("least", "beyond")}
    return bool(connection.scalar(text(count), values | {"dense": DENSE}) < DENSE)


def _few_hold_it(connection: Connection, plan: Asked, most: int) -> bool:
    """Whether three letters each leave fewer runs than so many."""
    count = "SELECT count(*) FROM (SELECT rowid FROM serial_part WHERE serial_part MATCH :grams LIMIT :most)"
    return bool(connection.scalar(text(count), {"grams": plan.values["grams"], "most": most}) < most)


def _grams(letters: str) -> str:
    """Every three letters that follow each other, for the full-text index; quotation marks are doubled."""
    grams = dict.fromkeys(letters[i : i + 3] for i in range(len(letters) - 2))
    return " ".join('"' + gram.replace('"', '""') + '"' for gram in grams)
