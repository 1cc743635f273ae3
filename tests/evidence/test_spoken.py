"""What evidence says, in the language that is spoken."""

import pytest

from trialog.evidence import CAUTIONS, cautions, waiting_words
from trialog.evidence.coverage import CONDITIONS
from trialog.evidence.lacking import lacking
from trialog.languages import speaking


def test_the_cautions_are_frozen_in_english_and_shown_as_spoken():
    assert cautions() == CAUTIONS
    with speaking("es"):
        assert cautions()[0].startswith("La estadística no hace segura una célula.")
        assert len(set(cautions()) - set(CAUTIONS)) == len(CAUTIONS)


def test_every_condition_that_is_missing_is_counted_in_its_own_words():
    missing = {word: place for place, word in enumerate(CONDITIONS, start=1)}
    assert lacking(missing) == [
        "1 more shift", "2 more operators", "3 more cold starts", "4 more material lots",
        "5 more tool changes",
    ]  # fmt: skip
    with speaking("es"):
        assert lacking(missing) == [
            "1 turno más", "2 operarios más", "3 arranques en frío más",
            "4 lotes de material más", "5 cambios de herramienta más",
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (1, "1 línea de las tabletas no se admitió en el registro; hay que atenderla primero"),
        (2, "2 líneas de las tabletas no se admitieron en el registro; hay que atenderlas primero"),
    ],
)
def test_lines_that_wait_are_said_in_the_form_for_their_number(lines, said):
    with speaking("es"):
        assert waiting_words(lines) == said
