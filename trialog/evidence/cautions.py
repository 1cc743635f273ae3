"""What has to be said wherever readiness is shown, signed or printed."""

from trialog.languages import mark, t

CAUTIONS = (
    mark(
        "Statistics do not make a cell safe. Risk assessment, guarding and lock-out are separate "
        "duties, owed to the safety standards for machines and robots (ISO 12100, ISO 10218), to "
        "local law and to qualified people."
    ),
    mark(
        "Isolate and lock out every source of energy before reaching into the machine or its "
        "cabinet."
    ),
    mark("Wear eye and hearing protection around compressed air, and never aim it at people."),
    mark("Leave electrical work to qualified persons."),
    mark("trialog commands no machine: a GO is advice to people, never a signal to a robot."),
)
"""The cautions as they are frozen with a verdict."""


def cautions() -> tuple[str, ...]:
    """Return the cautions in the language spoken."""
    return tuple(t(caution) for caution in CAUTIONS)
