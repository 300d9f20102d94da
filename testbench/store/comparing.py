"""What many runs found, counted and listed for statistics; the searches are those of ``store/searching``."""

from collections.abc import Sequence
from typing import Any, Literal

from sqlalchemy import Row, text

from testbench.run.quality import Measured
from testbench.run.yields import Yield, first_pass_yields
from testbench.station.searching import Search
from testbench.store.searching import SearchReader, asked_of

Group = Literal["month", "product", "operator", "order", "procedure", "all"]
_GROUPS = {
    "month": "substr(l.day, 1, 7)",
    "product": "f.product",
    "operator": "f.operator",
    "order": "(SELECT order_number FROM run WHERE number = l.run)",
    "procedure": "f.procedure",
    "all": "'all'",
}


class ComparisonReader(SearchReader):
    """Counts and series over the runs that fit a search."""

    def yields(self, asked: Search, by: Group) -> tuple[Yield, ...]:
        """First-pass yields of the valves whose first deciding run fits, by group."""
        query = (
            f"SELECT {_GROUPS[by]}, t.verdict, count(*) FROM first_test t JOIN search_line l ON l.run = t.run "  # noqa: S608
            "JOIN facet f ON f.id = l.facet WHERE {where} GROUP BY 1, 2"
        )
        return first_pass_yields(map(tuple, self._rows(asked, query)))

    def reasons(self, asked: Search) -> dict[str, int]:
        """Why runs were rejected or void, and how many each: the reason with its stage."""
        query = (
            "SELECT n.stage || ': ' || n.reason, count(DISTINCT n.run) FROM finding n "
            "JOIN search_line l ON l.run = n.run JOIN facet f ON f.id = l.facet WHERE n.reason IS NOT NULL "
            "AND (f.verdict = 'rejected' AND n.verdict = 'does not conform' "
            "OR f.verdict = 'void' AND n.verdict = 'void') "
            "AND {where} GROUP BY 1"
        )
        return dict(map(tuple, self._rows(asked, query)))

    def measured(self, asked: Search, stage: str, criterion: str) -> list[Measured]:
        """What the runs that fit measured in a stage, oldest first."""
        query = (
            "SELECT r.id, l.day, r.serial, f.operator, n.measured, n.most FROM search_line l "
            "JOIN facet f ON f.id = l.facet JOIN run r ON r.number = l.run JOIN finding n ON n.run = l.run "
            "WHERE n.stage = :stage AND n.criterion = :criterion AND n.measured IS NOT NULL AND {where} "
            "ORDER BY l.run, n.seq"
        )
        return list(map(Measured._make, self._rows(asked, query, stage=stage, criterion=criterion)))

    def _rows(self, asked: Search, query: str, **values: str) -> Sequence[Row[Any]]:
        """The rows of a query whose ``{where}`` stands for what was asked."""
        with self._searching() as connection:
            plan = asked_of(connection, asked)
            if plan is None:
                return []
            return connection.execute(text(query.replace("{where}", plan.where)), plan.values | values).all()
