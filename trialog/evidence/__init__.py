"""From records to numbers to verdicts."""

from trialog.evidence.cautions import CAUTIONS
from trialog.evidence.counting import Counts, count
from trialog.evidence.gathering import Evidence, gather_evidence
from trialog.evidence.history import PLAIN, note_verdicts, noted_before, verdict_history
from trialog.evidence.parked import waiting_words
from trialog.evidence.reasons import Reason
from trialog.evidence.reconciling import CounterState, Reconciliation, reconcile
from trialog.evidence.signing import SignedOff, acknowledge, sign, sign_offs
from trialog.evidence.spot_checks import (
    SpotCheck,
    SpotChecks,
    bound_with_misses,
    check_evidence,
    check_shift,
)
from trialog.evidence.trials import (
    define_requirement,
    design_of,
    equal_share,
    limit_of,
    make_plan,
    plan_of,
    requirement_of,
    start_trial,
    statistics_of,
    subject_of,
)
from trialog.evidence.verdict import Verdict, judge, standing_at, verdict_as_dict

__all__ = [
    "CAUTIONS",
    "PLAIN",
    "CounterState",
    "Counts",
    "Evidence",
    "Reason",
    "Reconciliation",
    "SignedOff",
    "SpotCheck",
    "SpotChecks",
    "Verdict",
    "acknowledge",
    "bound_with_misses",
    "check_evidence",
    "check_shift",
    "count",
    "define_requirement",
    "design_of",
    "equal_share",
    "gather_evidence",
    "judge",
    "limit_of",
    "make_plan",
    "note_verdicts",
    "noted_before",
    "plan_of",
    "reconcile",
    "requirement_of",
    "sign",
    "sign_offs",
    "standing_at",
    "start_trial",
    "statistics_of",
    "subject_of",
    "verdict_as_dict",
    "verdict_history",
    "waiting_words",
]
