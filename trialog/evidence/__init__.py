"""From records to numbers to verdicts."""

from trialog.evidence.cautions import CAUTIONS, cautions
from trialog.evidence.counting import Counts, count
from trialog.evidence.effects import explained
from trialog.evidence.gathering import Evidence, gather_evidence
from trialog.evidence.history import PLAIN, note_verdicts, noted_before, verdict_history
from trialog.evidence.parked import waiting_words
from trialog.evidence.reasons import Reason
from trialog.evidence.reconciling import CounterState, Reconciliation, reconcile
from trialog.evidence.signed import (
    Lapse,
    LapseLine,
    SignedOff,
    SignOffState,
    sign_offs,
    state_of,
    trial_signed,
)
from trialog.evidence.signed_documents import (
    DocumentCheck,
    SignedFile,
    check_document,
    read_document,
    signed_document,
)
from trialog.evidence.signing import (
    acknowledge,
    may_revoke,
    refuse,
    require_revoker,
    require_signer,
    revoke,
    sign,
)
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
    "DocumentCheck",
    "Evidence",
    "Lapse",
    "LapseLine",
    "Reason",
    "Reconciliation",
    "SignOffState",
    "SignedFile",
    "SignedOff",
    "SpotCheck",
    "SpotChecks",
    "Verdict",
    "acknowledge",
    "bound_with_misses",
    "cautions",
    "check_document",
    "check_evidence",
    "check_shift",
    "count",
    "define_requirement",
    "design_of",
    "equal_share",
    "explained",
    "gather_evidence",
    "judge",
    "limit_of",
    "make_plan",
    "may_revoke",
    "note_verdicts",
    "noted_before",
    "plan_of",
    "read_document",
    "reconcile",
    "refuse",
    "require_revoker",
    "require_signer",
    "requirement_of",
    "revoke",
    "sign",
    "sign_offs",
    "signed_document",
    "standing_at",
    "start_trial",
    "state_of",
    "statistics_of",
    "subject_of",
    "trial_signed",
    "verdict_as_dict",
    "verdict_history",
    "waiting_words",
]
