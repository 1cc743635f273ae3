"""Which language a page of reports is in: what its address asks for, else what the shop set."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar, cast

from flask import Flask, request

from trialog.languages import LANGUAGES, speaking
from trialog.reports.csv_form import csv_uri
from trialog.reports.kinds import FORMS
from trialog.reports.markup import cell_markup, row_markup
from trialog.web.database import state

V = TypeVar("V", bound=Callable[..., Any])


def language_asked() -> str:
    """Return the language of `?language=`, else the shop's (TRIALOG_LANGUAGE)."""
    return request.args.get("language") or state().settings.language


def in_language(view: V) -> V:
    """Have a view's page made in the language asked for. Goes right above the function."""

    @functools.wraps(view)
    def spoken(*args: Any, **more: Any) -> Any:
        with speaking(language_asked()):
            return view(*args, **more)

    return cast(V, spoken)


def init_app(app: Flask) -> None:
    """Tell the templates which languages and forms reports can be had in."""
    app.jinja_env.globals.update(
        report_languages=LANGUAGES,
        report_forms=tuple(FORMS),
        csv_uri=csv_uri,
        cell_markup=cell_markup,
        row_markup=row_markup,
    )
