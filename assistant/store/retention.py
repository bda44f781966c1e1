"""Which cases a practice has kept for as long as it means to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from assistant.store.index import IndexRow
from assistant.store.summary import CaseSummary


@dataclass(frozen=True, slots=True)
class Retention:
    """The cases of a store by what is to become of them.

    Attributes:
        due: signed, and the last thing in them (the signature or an addendum) is so many
            years ago.
        unsigned: as old and not signed; never due by themselves.
        unreadable: their age is not known.
        kept: how many others there are.
    """

    due: list[IndexRow]
    unsigned: list[IndexRow]
    unreadable: list[IndexRow]
    kept: int


def retention(
    rows: list[IndexRow], damaged: list[IndexRow], years: int, today: date
) -> Retention:
    """Sort the cases of a store by age; ``today`` on the clock of the room."""
    old = [row for row in rows if is_over(_of(row), years, today)]
    return Retention(
        due=[row for row in old if _of(row).signed_utc],
        unsigned=[row for row in old if not _of(row).signed_utc],
        unreadable=damaged,
        kept=len(rows) - len(old),
    )


def is_over(case: CaseSummary, years: int, today: date) -> bool:
    """Whether so many whole years have gone by since the last thing in a case."""
    last = date.fromisoformat(case.last_on)
    if last.year + years > date.max.year:
        return False
    try:
        end = last.replace(year=last.year + years)
    except ValueError:  # 29 February: the day after
        end = date(last.year + years, 3, 1)
    return today >= end


def _of(row: IndexRow) -> CaseSummary:
    assert not isinstance(row.found, str)
    return row.found
