"""Two verdicts of a trial side by side: before and after, or now and what if."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.evidence import Verdict
from trialog.reports import words


@dataclass(frozen=True)
class Pair:
    """A figure of both verdicts, in words."""

    name: str
    before: str
    after: str

    @property
    def changed(self) -> bool:
        """Whether the figure is another one."""
        return self.before != self.after


@dataclass(frozen=True)
class LinePair:
    """A line of the verdict, whether it holds in both, and the figure it has in each."""

    name: str
    met_before: bool
    met_after: bool
    before: str
    after: str


@dataclass(frozen=True)
class BeforeAfter:
    """Two verdicts of one trial."""

    before: Verdict
    after: Verdict
    figures: tuple[Pair, ...]
    lines: tuple[LinePair, ...]

    @property
    def sentence(self) -> str:
        """What has changed, in words; empty where nothing has."""
        told = {pair.name: pair for pair in self.figures if pair.changed}
        parts = [
            said.format(before=told[name].before, after=told[name].after)
            for name, said in _SAID.items()
            if name in told
        ]
        if not parts:
            return ""
        if self.before.verdict == self.after.verdict:
            parts.append(f"the verdict stays {self.after.verdict}")
        return f"{parts[0][:1].upper()}{'; '.join(parts)[1:]}."


_SAID = {
    "relevant failures": "relevant failures: {after} instead of {before}",
    "no-tests": "no-tests: {after} instead of {before}",
    "counted cycles": "counted cycles: {after} instead of {before}",
    "waiting for a ruling": "waiting for a ruling: {after} instead of {before}",
    "failure rate, at most": "the failure rate is at most {after} instead of {before}",
    "proven stretch": "proven stretch: {after} instead of {before}",
    "verdict": "the verdict is {after} instead of {before}",
}
"""How a change of a figure is told in a sentence; the others stand in the table alone."""


def compare_verdicts(before: Verdict, after: Verdict) -> BeforeAfter:
    """Put two verdicts of one trial side by side."""
    first, second = _figures(before), _figures(after)
    # It is one number, told with as many digits as the bound beside it needs.
    first["limit"] = second["limit"] = max(first["limit"], second["limit"], key=len)
    lines = zip(before.reasons, after.reasons, strict=True)
    return BeforeAfter(
        before,
        after,
        tuple(Pair(name, first[name], second[name]) for name in first),
        tuple(LinePair(one.name, one.met, two.met, one.detail, two.detail) for one, two in lines),
    )


def _figures(verdict: Verdict) -> dict[str, str]:
    """Return what a verdict's page shows of it, rounded as there."""
    evidence = verdict.evidence
    upper, limit = words.bound_and_limit(verdict.upper, verdict.limit)
    proven, to_go = verdict.proven_stretch_seconds, verdict.clean_cycles_to_go
    return {
        "verdict": str(verdict.verdict),
        "counted cycles": words.number(evidence.cycles),
        "relevant failures": words.number(evidence.failures),
        "no-tests": words.number(evidence.no_tests),
        "waiting for a ruling": words.number(evidence.unruled),
        "failure rate": words.rate(verdict.bounds.estimate),
        "failure rate, at most": upper,
        "limit": limit,
        "proven stretch": "no limit" if proven is None else words.stretch(proven),
        "required stretch": words.length(verdict.required_stretch_seconds),
        "clean cycles to go": "none lead to GO" if to_go is None else words.number(to_go),
        "shifts to go": words.number(verdict.shifts_to_go),
    }
