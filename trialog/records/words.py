"""The fixed words of the records, as the trade writes them."""

from enum import StrEnum


class Role(StrEnum):
    """What a person may do."""

    OPERATOR = "operator"
    ENGINEER = "engineer"
    APPROVER = "approver"
    ADMIN = "admin"


class Stage(StrEnum):
    """The step of the build-up that a trial and its shifts belong to."""

    BY_HAND = "by hand"
    ROBOT_ATTENDED = "robot attended"
    UNATTENDED = "unattended"


class Effect(StrEnum):
    """What a failure mode does to the cell."""

    STOPS = "stops the cell"
    DAMAGE = "can damage"
    NUISANCE = "nuisance"


class PlanKind(StrEnum):
    """How a trial decides; fixed before its first counted cycle."""

    ZERO_FAILURE = "zero-failure"
    FIXED_SIZE = "fixed-size"
    SEQUENTIAL = "sequential"


class EntryKind(StrEnum):
    """What a line of the logbook says."""

    SHIFT_OPENED = "open"
    GOOD = "good"
    FAILED = "failed"
    STOP = "stop"
    NOTE = "note"
    PHOTO = "photo"
    CHECK = "check"
    CONDITION = "condition"
    READING = "reading"
    SHIFT_CLOSED = "close"
    RULING = "ruling"
    REVISION = "revision"
    UNDO = "undo"
    COUNT = "count"


class Condition(StrEnum):
    """A circumstance worth covering in a trial."""

    COLD_START = "cold start"
    MATERIAL_LOT = "new material lot"
    TOOL_CHANGE = "tool change"
    OTHER_OPERATOR = "other operator"


class CounterEvent(StrEnum):
    """Why a machine counter may read less at the end of a shift than at its start."""

    ROLLED_OVER = "rolled over"
    RESET = "reset"


class Reading(StrEnum):
    """Which of a shift's two counter readings a correction replaces."""

    OPENING = "opening"
    CLOSING = "closing"


class AcknowledgementKind(StrEnum):
    """What somebody has taken note of in writing before a GO."""

    CAUTIONS = "cautions"
    PATTERN = "trend or burst"


class RulingCause(StrEnum):
    """Where an engineer found the cause of a failure; common practice, no source."""

    DEVICE = "the device itself"
    NOT_FOUND = "cause not found"
    HANDLING = "handling by the operator"
    RAW_PART = "raw part out of tolerance"
    SUPPLY = "air, power or coolant supply"
    MACHINE = "machine or program, not the device"
    TRIAL = "set-up or test of the trial itself"
    OTHER = "other, see the words"

    @property
    def speaks_against_device(self) -> bool:
        """Whether a failure of this cause counts, whatever anybody would like."""
        return self in (RulingCause.DEVICE, RulingCause.NOT_FOUND)


class SignDecision(StrEnum):
    """What somebody who was asked to sign has said."""

    ACCEPTED = "accepted"
    REFUSED = "refused"


class NoticeKind(StrEnum):
    """What people outside the application are told of."""

    SHIFT_CLOSED = "shift closed"
    VERDICT_CHANGED = "verdict changed"
    TEST = "test"


class NoticeChannel(StrEnum):
    """How they are told."""

    MAIL = "e-mail"
    WEBHOOK = "webhook"


class ReportKind(StrEnum):
    """Which reports are made once and kept."""

    SHIFT = "shift"
    TRIAL = "trial"


class ParkedOutcome(StrEnum):
    """What became of a line that the logbook had not taken."""

    WRITTEN = "written"
    LEFT_OUT = "left out"
    TAKEN_BACK = "taken back"


class Scope(StrEnum):
    """What a client's token opens."""

    READ = "read"
    LOG = "log"
    COUNT = "count"
    METRICS = "metrics"


class FeedMode(StrEnum):
    """How an agent is listened to."""

    STREAMING = "streaming"
    POLLING = "polling"
