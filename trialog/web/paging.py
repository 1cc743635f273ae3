"""Lists that are too long for one page: which page is asked for, and where those beside it are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from flask import request, url_for

T = TypeVar("T")


@dataclass(frozen=True)
class Listing(Generic[T]):
    """A page of a list, and how many there are in all."""

    items: Sequence[T]
    found: int
    page: int
    pages: int

    @property
    def newer(self) -> str | None:
        """Return the address of the page before."""
        return _address(self.page - 1) if self.page > 1 else None

    @property
    def older(self) -> str | None:
        """Return the address of the page after."""
        return _address(self.page + 1) if self.page < self.pages else None


def page_of(found: int, size: int, read: Callable[[int], Sequence[T]]) -> Listing[T]:
    """Return the page that the address asks for; `read` gets how many items come before it.

    A page that is not there is the one next to it that is.
    """
    pages = max(1, -(-found // size))
    page = min(max(request.args.get("page", 1, type=int), 1), pages)
    return Listing(read((page - 1) * size), found, page, pages)


def looked_for() -> dict[str, Any]:
    """Return what the address asks for besides the page."""
    return {name: value for name, value in request.args.items() if name != "page" and value}


def _address(page: int) -> str:
    return url_for(str(request.endpoint), **looked_for(), page=page)
