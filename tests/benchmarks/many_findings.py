"""What is derived from very many runs, made by SQL beside runs that are there already: it makes no record.

Products, operators, verdicts and leakage rates are spread over the runs by their numbers, so that a plain search in
Python finds the same. One operator left after the first half, another came only with the last thousand runs: what
looks for them must not read all the others.
"""

import sqlite3
from pathlib import Path

PRODUCTS = tuple(f"swing check valve NPS {nps}, ductile iron" for nps in (3, 4, 6, 8, 10, 12, 16, 20, 24, 30, 36, 42))
OPERATORS = tuple(f"Operator {letter}" for letter in "ABCDEFGHIJ")
LEFT, CAME = "Ida Wren", "Tam Loss"
VERDICTS = ("accepted", "rejected", "void", "inconclusive")

# Two runs of each valve; numbers are mixed, so that products and operators do not march in step.
FACET_OF = """
SELECT n AS run, day, serial,
       ((n + 1) / 2 * 7919) % 12 AS product,
       CASE WHEN n <= :all / 2 AND n % 3 = 0 THEN 10 WHEN n > :all - 1000 AND n % 3 = 0 THEN 11
            ELSE (n * 104729) % 10 END AS operator,
       CASE WHEN n % 1009 = 0 THEN 3 WHEN n % 31 = 0 THEN 2 WHEN n % 17 = 0 THEN 1 ELSE 0 END AS verdict
FROM (SELECT number AS n, substr(started, 1, 10) AS day, lower(serial) AS serial FROM run WHERE state = 'closed')
"""


def facets_of(number: int, runs: int) -> tuple[str, str, str]:
    """Product, operator and verdict of a run, as the SQL has them."""
    product = PRODUCTS[(number + 1) // 2 * 7919 % 12]
    if number <= runs // 2 and number % 3 == 0:
        operator = LEFT
    elif number > runs - 1000 and number % 3 == 0:
        operator = CAME
    else:
        operator = OPERATORS[number * 104729 % 10]
    verdict = next(
        (VERDICTS[index] for index, every in ((3, 1009), (2, 31), (1, 17)) if number % every == 0), "accepted"
    )
    return product, operator, verdict


def derive_many(path: Path) -> int:
    """Fill the derived tables of a file for all its runs; gives how many there are."""
    file = sqlite3.connect(path)
    runs: int = file.execute("SELECT count(*) FROM run WHERE state = 'closed'").fetchone()[0]
    for table in ("finding", "search_line", "facet"):
        file.execute(f"DELETE FROM {table}")
    file.execute("INSERT INTO serial_part(serial_part) VALUES ('delete-all')")
    people = (*OPERATORS, LEFT, CAME)
    file.executemany(
        "INSERT INTO facet VALUES (?, ?, 'waterworks-swing-check', 'AWWA C508 2017', ?, ?, 'B1', 'live', 0)",
        [
            (1 + (p * 12 + o) * 4 + v, product, verdict, operator)
            for p, product in enumerate(PRODUCTS)
            for o, operator in enumerate(people)
            for v, verdict in enumerate(VERDICTS)
        ],
    )
    file.execute(f"CREATE TEMP TABLE told AS {FACET_OF}", {"all": runs})
    file.execute(
        "INSERT INTO search_line SELECT run, 1 + (product * 12 + operator) * 4 + verdict, day, serial FROM told"
    )
    file.execute("INSERT INTO serial_part(rowid, serial) SELECT run, serial FROM search_line")
    rate = "1.0 + (run * 7919 % 1000) / 1000.0 + (verdict = 1) * 2"
    file.execute(
        f"INSERT INTO finding SELECT run, 1, 'seat test', 1, 'largest-leakage-rate', "
        f"CASE verdict WHEN 0 THEN 'conforms' WHEN 1 THEN 'does not conform' ELSE '' END, "
        f"CASE verdict WHEN 1 THEN 'leakage rate above the limit' END, {rate}, 3.0, 0.1 FROM told WHERE verdict <> 2"
    )
    file.execute(
        "INSERT INTO finding SELECT run, 1, 'shell test', 1, '', 'void', 'stopped by the operator', NULL, NULL, NULL "
        "FROM told WHERE verdict = 2"
    )
    file.execute(
        "INSERT INTO finding SELECT run, 2, 'shell test', 1, 'pressure loss', '', NULL, "
        "3.0 + (run * 104729 % 997) / 500.0, NULL, NULL FROM told WHERE verdict <> 2"
    )
    file.execute("UPDATE facet SET runs = (SELECT count(*) FROM search_line l WHERE l.facet = facet.id)")
    file.commit()
    file.close()
    return runs
