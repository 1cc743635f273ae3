"""The page on files: its examples are imported, its columns and keys are all there are."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from trialog.feeds import load_setup, setup_file
from trialog.feeds.columns import CYCLE_LOG, TALLIES
from trialog.feeds.tables import read_table
from trialog.records.database import unit_of_work
from trialog.records.verify import verify
from trialog.records.words import EntryKind

PAGE = files("trialog").joinpath("docs", "files.md").read_text("utf-8")
CSV = re.findall(r"```csv\n(.*?)```", PAGE, re.S)
TOML = re.findall(r"```toml\n(.*?)```", PAGE, re.S)


@pytest.fixture
def now(now):
    return now.replace(day=6)


@pytest.mark.parametrize("example", CSV, ids=lambda example: example.partition(",")[0][:20])
def test_each_csv_example_is_imported_and_comes_back(intake, fresh, example):
    result = intake.imports(example)
    assert result.rejected == ()
    assert result.added >= len(list(read_table(example.encode()).rows())) > 0
    fresh.imports(intake.exports())
    assert fresh.exports() == intake.exports()
    assert verify(intake.session) == []


def test_there_is_an_example_of_each_form_and_kind_of_row(intake):
    assert len(CSV) == 3
    for example in CSV:
        intake.imports(example)
    assert {entry.kind for entry in intake.entries()} == set(EntryKind)


def test_an_export_example_is_what_an_export_writes(intake):
    intake.imports(CSV[1])
    assert intake.exports().splitlines() == CSV[1].splitlines()


def test_the_setup_example_is_loaded(session, now):
    [example] = TOML
    with unit_of_work(session):
        result = load_setup(session, example.encode(), actor=None, now=now)
    assert [device.name for device in result.cell.devices] == ["press arm", "chip jet"]
    assert len(result.added) == 11


@pytest.mark.parametrize("column", [*CYCLE_LOG, *TALLIES])
def test_every_column_is_explained(column):
    assert f"`{column}`" in PAGE


@pytest.mark.parametrize(
    "key",
    [
        *setup_file.CELL, *setup_file.DEVICE, *setup_file.MODE,
        *setup_file.REQUIREMENT, *setup_file.TRIAL, *setup_file.PERSON,
    ],
)  # fmt: skip
def test_every_key_of_a_setup_file_stands_in_the_page(key):
    assert key in PAGE
