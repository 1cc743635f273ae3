"""The sentence of each special case that a trial can be in, in both languages."""

import pytest
from support.cells import revision

from trialog.evidence import acknowledge, judge, note_verdicts, sign, sign_offs, trial_signed
from trialog.evidence.effects import explained
from trialog.languages import speaking
from trialog.records.words import AcknowledgementKind, PlanKind
from trialog.reports import sentences
from trialog.reports.remarks import remarks
from trialog.reports.sign_offs import in_words

# What is said of a verdict does not hang on the database.
pytestmark = pytest.mark.database("sqlite")


def said(shop, trial):
    verdict = judge(shop.session, trial)
    return " ".join([sentences.proven(verdict), *remarks(verdict)])


def in_spanish(shop, trial):
    with speaking("es"):
        return said(shop, trial)


def test_without_a_cycle(shop):
    trial = shop.trial()
    assert remarks(judge(shop.session, trial)) == ()
    assert in_spanish(shop, trial) == (
        "Nada demostrado todavía: no se ha contado ningún ciclo. Exigido: 30 min sin nadie con una "
        "probabilidad del 90 %. 875 ciclos más sin fallo, 2 turnos."
    )


def test_without_a_failure(shop):
    trial = shop.trial()
    shop.shift("A", days=1, good=500)
    shop.shift("B", good=100)
    assert said(shop, trial).endswith(
        "No failure in 600 counted cycles does not mean that none will come: the failure rate may "
        "still be up to 0.44 % (1 in 229 cycles)."
    )
    assert in_spanish(shop, trial).endswith(
        "Ningún fallo en 600 ciclos contados no significa que no vaya a haber ninguno: la tasa de "
        "fallos puede ser todavía de hasta 0,44 % (1 de cada 229 ciclos)."
    )


def test_where_every_cycle_failed(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", days=1, failed=[shop.cell.dropped])
    shop.shift("B", failed=[shop.cell.dropped])
    assert remarks(judge(shop.session, trial)) == ()
    assert in_spanish(shop, trial).startswith(
        "Nada demostrado: todos los ciclos contados fallaron."
    )


def test_of_one_shift(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", days=1, good=500, failed=[shop.cell.dropped])
    assert said(shop, trial).endswith(
        "All of it ran in one shift: nothing shows that another shift would go as well."
    )
    assert in_spanish(shop, trial).endswith(
        "Todo se hizo en un solo turno: nada muestra que otro turno vaya a ir igual de bien."
    )
    shop.shift("B", good=500)
    assert remarks(judge(shop.session, trial)) == ()


@pytest.mark.parametrize(
    ("unlogged", "english", "spanish"),
    [
        (
            1,
            "were the 1 cycle that nobody logged a failure",
            "si el ciclo que nadie registró fuera",
        ),
        (2, "were each of the 2 cycles", "si cada uno de los 2 ciclos que nadie registró"),
    ],
)
def test_where_the_worst_case_is_another(shop, unlogged, english, spanish):
    trial = shop.trial()
    shop.shift("A", days=1, good=900, counters=(0, 900 + unlogged))
    shop.shift("B", good=10, counters=(900 + unlogged, 910 + unlogged))
    told = said(shop, trial)
    assert english in told
    assert told.endswith("the plan would say NO-GO instead of GO.")
    told = in_spanish(shop, trial)
    assert spanish in told
    assert told.endswith("el plan diría NO-GO en lugar de GO.")


def test_where_the_counter_agrees_or_cannot_tell_there_is_no_worst_case(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", days=1, good=500, failed=[shop.cell.dropped], counters=(0, 501))
    shop.shift("B", good=10)
    assert remarks(judge(shop.session, trial)) == ()


def signed_in_spanish(shop):
    """Start a trial, bring it to GO and have it signed by somebody who reads Spanish."""
    trial = shop.trial(name="ready")
    shop.shift("A", good=900, counters=(0, 900))
    with speaking("es"):
        acknowledge(
            shop.session, trial, AcknowledgementKind.CAUTIONS, "leído", actor=shop.people.engineer,
            now=shop.now,
        )  # fmt: skip
        record = sign(
            shop.session, trial, shop.people.approver, statement="visto",
            cautions_acknowledged=True, now=shop.now,
        )  # fmt: skip
        shop.session.commit()
    return trial, record


def test_what_is_signed_and_noted_is_english_whoever_reads_what(shop):
    trial, record = signed_in_spanish(shop)
    lines = record.document["verdict"]["reasons"]
    assert lines[0]["name"] == "plan reached its GO line"
    assert lines[0]["detail"].startswith("900 cycles with 0 relevant failures; the plan asks for")
    assert record.document["verdict"]["subject"] == "whole cell"
    with speaking("es"):
        changes = note_verdicts(shop.session, shop.cell.cell, now=shop.now)
        assert judge(shop.session, trial).reasons[0].name == "el plan alcanzó su línea de GO"
    assert all(name.isascii() for change in changes for name in change.unmet)


def test_of_a_lapsed_sign_off(shop, zone):
    trial, _record = signed_in_spanish(shop)
    with speaking("es"):
        assert in_words(trial_signed(shop.session, trial), zone) == (
            "Firmado por Anna Approver (aprobador), 2026-03-02 15:00. Faltan por firmar: ingeniero."
        )
    shop.write(revision(shop.cell.arm))
    with speaking("es"):
        assert sentences.lapsed(sign_offs(shop.session, trial), zone) == [
            "La conformidad de Anna Approver del 2026-03-02 15:00 ha caducado: cambiado desde "
            "entonces: stronger spring."
        ]
        assert in_words(trial_signed(shop.session, trial), zone).startswith(
            "Sin firmar: la conformidad ha caducado."
        )


def test_the_lines_of_a_verdict_and_what_would_change_them(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", good=100, failed=[shop.cell.dropped])
    [failure] = judge(shop.session, trial).evidence.numbering.failed
    with speaking("es"):
        lines = {line.key: line for line in explained(judge(shop.session, trial)).reasons}
    assert lines["rulings"].detail == (
        "1 fallo a la espera de dictamen; hasta entonces cada uno cuenta como relevante"
    )
    assert lines["rulings"].would_change == (
        f"Se cumple cuando un ingeniero haya dictaminado sobre: línea {failure.sequence}.",
    )
    assert lines["counter"].detail == "no se puede saber para A: sin lectura"
