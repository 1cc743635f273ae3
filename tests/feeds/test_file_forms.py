"""Files as shops write them: character sets, delimiters, quotes, line ends, sizes."""

from __future__ import annotations

import pytest

from trialog.errors import InvalidValueError
from trialog.feeds import tables
from trialog.feeds.tables import read_table

NOTE = "Späne überall, 5 µm “daneben” – 20 €"
ROWS = ["shift;time;outcome;note", f'A;2026-03-02T06:00Z;note;"{NOTE}"']


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_file_is_read_in_every_usual_form(encoding, line_end, delimiter):
    text = line_end.join(ROWS).replace(";", delimiter)
    table = read_table(text.encode(encoding))
    assert table.header == ["shift", "time", "outcome", "note"]
    assert [row.cells for row in table.rows()] == [("A", "2026-03-02T06:00Z", "note", NOTE)]


def test_utf_16_in_the_other_byte_order_is_read_too():
    table = read_table(b"\xfe\xff" + "shift,outcome\nÄ,good".encode("utf-16-be"))
    assert next(table.rows()).cells == ("Ä", "good")


def test_a_file_in_windows_1252_keeps_its_umlauts_in_the_logbook(intake):
    intake.imports("\r\n".join(ROWS).encode("cp1252"))
    assert intake.entries("note")[0].text == NOTE


def test_text_that_looks_like_a_number_or_nothing_stays_as_it_is(intake):
    intake.imports("shift,outcome,note\n001,note,NA\n")
    assert intake.shift("001").label == "001"
    assert intake.entries("note")[0].text == "NA"


def test_clear_times_may_have_a_decimal_comma_and_are_kept_in_whole_seconds(intake):
    intake.imports('shift;outcome;clear_seconds\nA;stop;12,5\nA;stop;"7,25"\nA;stop;8.0\n')
    assert [entry.clear_seconds for entry in intake.entries("stop")] == [13, 7, 8]


def test_a_decimal_comma_between_commas_is_refused(intake, reasons):
    result = intake.imports('shift,outcome,clear_seconds\nA,stop,"12,5"\n')
    assert reasons(result) == {2: "clear_seconds must be a number, got '12,5'"}


def test_line_numbers_are_those_of_the_file(intake, reasons):
    content = 'shift,outcome,note\n\nA,note,"one\ntwo\r\nthree"\n\nA,bad,\nA,note,"a ""b"""\n'
    assert list(reasons(intake.imports(content))) == [7]
    intake.imports(content, good_lines_only=True)
    assert [entry.text for entry in intake.entries("note")] == ["one\ntwo\r\nthree", 'a "b"']


def test_a_quote_that_is_not_closed_is_named_with_the_lines_it_swallowed(intake, reasons):
    content = 'shift,outcome,note\nA,note,fine\nA,note,"open\nA,note,x\nA,note,"y"\nA,note,z\n'
    result = intake.imports(content)
    assert list(reasons(result)) == [3]
    assert "quotes must open and close" in reasons(result)[3]
    assert "up to line 5" in reasons(result)[3]
    assert intake.imports(content, good_lines_only=True).added == 4


def test_a_quote_left_open_to_the_end_is_rejected(intake, reasons):
    assert list(reasons(intake.imports('shift,outcome,note\nA,note,"open\n'))) == [2]


def test_empty_columns_at_the_end_and_empty_lines_do_no_harm(intake):
    assert intake.imports("shift,outcome,,\n,,,\nA,good,,\n ,\n").added == 3


def test_a_short_line_leaves_its_last_columns_empty(intake):
    assert intake.imports("shift,outcome,note,operator\nA,good\n").added == 3


def test_a_file_with_a_header_alone_adds_nothing(intake):
    result = intake.imports("shift,outcome\n")
    assert (result.added, result.repeated, result.rejected, result.shifts) == (0, 0, (), ())
    assert result.in_words == "This adds nothing: the file holds no lines."


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "file must not be empty, got '0 bytes'"),
        (b" \r\n\r\n", "file must not be empty"),
        (b"\xef\xbb\xbf", "file must not be empty"),
        (b"shift,outcome\nA,go\x00od\n", "file must be text without NUL characters, got 'one on"),
        ("shift,outcome".encode("utf-16-le"), "file must be text without NUL characters"),
        (b"shift,outcome\nA,\x81\n", "file must be text in UTF-8, UTF-16"),
        (b"\xff\xfeA", "file must be text in UTF-8, UTF-16"),
        (b"shift,,outcome\n", "file must name each of its columns, got 'column 2'"),
        (b"shift,outcome,Shift\n", "file must name each column once, got 'Shift'"),
        (b",,,\n", "header must name the columns"),
    ],
)
def test_a_file_that_cannot_be_read_at_all_is_refused(intake, content, reason):
    with pytest.raises(InvalidValueError) as caught:
        intake.imports(content)
    assert str(caught.value).startswith(reason)


def test_a_file_that_is_too_large_is_refused(intake, monkeypatch):
    monkeypatch.setattr(tables, "LARGEST_FILE", 2**20)
    with pytest.raises(InvalidValueError, match=r"file must be at most 1 MiB, got '2\.0 MiB'"):
        intake.imports(b"x" * 2**21)


def test_a_file_with_too_many_lines_is_refused(intake, monkeypatch):
    monkeypatch.setattr(tables, "MOST_LINES", 3)
    with pytest.raises(InvalidValueError, match="file must have at most 3 lines"):
        intake.imports("shift,outcome\n" + "A,good\n" * 4)
    with pytest.raises(InvalidValueError, match="file must have at most 3 lines, got 'line 4'"):
        intake.imports("shift,outcome\n" + '"a"b\n' * 4)


def test_a_cell_larger_than_any_text_is_rejected_as_a_line(intake, reasons):
    result = intake.imports("shift,outcome,note\nA,note," + "x" * 200_000 + "\nA,good,\n")
    assert list(reasons(result)) == [2]
    assert len(result.rejected[0].text) == 120


def test_names_with_quotes_and_emoji_survive(intake):
    label = 'night "B" 🤖 o\'clock'
    quoted = label.replace('"', '""')
    intake.imports(f'shift,outcome\n"{quoted}",good\n')
    assert intake.shift(label).label == label
    assert intake.imports(intake.exports()).added == 0
