"""In which time zone an answer is wanted."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pydantic import Field

from trialog.errors import InvalidValueError
from trialog.web.api.bodies import Given
from trialog.web.clock import zone as shop_zone
from trialog.web.settings import read_zone


class ZoneQuery(Given):
    """In which zone times are said."""

    time_zone: str | None = Field(
        None, max_length=60, description="Such as Europe/Berlin; without it: the shop's."
    )

    def zone(self) -> ZoneInfo:
        """Return the zone that is wanted.

        Raises
        ------
        InvalidValueError
            If there is none of that name.
        """
        if self.time_zone is None:
            return shop_zone()
        try:
            return read_zone(self.time_zone)
        except InvalidValueError as error:
            raise InvalidValueError("time_zone", error.rule, error.value) from None
