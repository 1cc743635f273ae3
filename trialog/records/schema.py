"""The schema's version: bring it up to date, compare it with the models, refuse an old one."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from trialog.errors import SchemaBehindError
from trialog.records import models, partitions

UPGRADE_COMMAND = "trialog database upgrade"
COPYING = "copying"
"""What the version of a database begins with that records are being copied into."""


def packaged(folder: str) -> Path:
    """Return a folder that an installed trialog carries inside and a checkout at its top."""
    package = Path(__file__).resolve().parent.parent
    inside = package / folder
    return inside if inside.is_dir() else package.parent / folder


def _configuration(engine: Engine) -> Config:
    configuration = Config()
    configuration.set_main_option("script_location", str(packaged("migrations")).replace("%", "%%"))
    configuration.attributes["engine"] = engine
    return configuration


def upgrade(engine: Engine) -> None:
    """Bring the database's schema to this version's.

    Raises
    ------
    SchemaBehindError
        If a newer trialog made the database's schema, or a copy into it is not finished.
    KeyboardInterrupt
        If it is called off. The steps that were done stay; called again, it goes on from there.
    """
    _refuse_half_copy(current_version(engine))
    try:
        command.upgrade(_configuration(engine), "head")
    except CommandError as error:
        raise SchemaBehindError(
            f"the database's schema is at {current_version(engine)}, which this trialog does not "
            "know; it was made by a newer one: install that"
        ) from error
    except SQLAlchemyError as error:
        if _was_called_off(error):
            raise KeyboardInterrupt from error
        raise
    partitions.make_ahead(engine)


def _was_called_off(error: BaseException | None) -> bool:
    """Say whether Ctrl-C is behind an error.

    Amid a statement it closes the connection, and whoever still wants to tidy up on that fails.
    """
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error is not None


def newest_version() -> str | None:
    """Return the schema version that this trialog expects."""
    return _head_of(packaged("migrations"))


@cache
def _head_of(folder: Path) -> str | None:
    return ScriptDirectory(str(folder)).get_current_head()


def current_version(engine: Engine) -> str | None:
    """Return the schema version of the database; None where there is no schema yet."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def require_current(engine: Engine) -> None:
    """Refuse to go on with a schema that is not this version's.

    Raises
    ------
    SchemaBehindError
        If the database has another schema version.
    """
    current, newest = current_version(engine), newest_version()
    _refuse_half_copy(current)
    if current != newest:
        raise SchemaBehindError(
            f"the database's schema is at {current or 'nothing'}, this trialog needs {newest}; "
            f"run: {UPGRADE_COMMAND}"
        )


def _refuse_half_copy(version: str | None) -> None:
    if version is not None and version.startswith(COPYING):
        raise SchemaBehindError(
            "the database holds a copy of records that was not finished; run the command that "
            "copies again: it goes on where it was"
        )


def differences(engine: Engine) -> list[str]:
    """List where the database's schema differs from the models, a line each."""
    current, newest = current_version(engine), newest_version()
    if current != newest:
        return [f"schema version is {current or 'nothing'}, must be {newest}"]
    options: dict[str, Any] = {"compare_type": True}
    divided = engine.dialect.name == "postgresql"
    if divided:
        options["include_object"] = partitions.compared
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts=options)
        found = [str(line) for line in compare_metadata(context, models.Person.metadata)]
        return [*found, *(partitions.missing(connection) if divided else ())]
