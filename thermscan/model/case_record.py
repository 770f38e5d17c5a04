"""The records of a case: entries of its log, what they add up to, and how the suspects moved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from thermscan.model.reading import Reading

CASE_VERSION = 1
ENTRY_KINDS = (
    "opened",
    "symptom",
    "finding",
    "note",
    "recording",
    "reading",
    "comparison",
    "swap",
    "rule_out",
    "picture",
    "cost",
    "time",
    "answer",
    "past",
    "verification",
    "conclusion",
)
ROLES = ("faulty", "good", "before", "after")
ACTIONS = ("swapped", "removed", "resoldered")
CHANGES = ("none", "changed", "gone")
DECISIONS = ("repair", "donor", "scrap")
VERIFY_OUTCOMES = ("gone", "still_there", "something_new", "like_good", "cannot_tell")
CRITERION_STATES = ("met", "not_met", "not_done")


@dataclass(frozen=True)
class CaseHead:
    """What a case is about; written once.

    ``mains`` and ``lithium`` are the user's own word that the board has a dangerous side or a lithium cell; names
    in the board file may say so as well.
    """

    device: str
    board_name: str
    created: str
    mains: bool = False
    lithium: bool = False


@dataclass(frozen=True)
class Entry:
    """One line of the log.

    ``sha256`` covers the line's other fields, ``previous`` among them: the chain shows any change.
    """

    number: int
    time: str
    kind: str
    data: Mapping[str, object]
    previous: str
    sha256: str

    def text(self, key: str) -> str:
        """Return one field of the data as text, empty where it is missing."""
        value = self.data.get(key)
        return "" if value is None else str(value)


@dataclass(frozen=True)
class CaseSwap:
    """A part that was worked on, and what changed: ``none``, ``changed`` (still faulty) or ``gone``."""

    ref: str
    action: str
    change: str
    note: str = ""


@dataclass(frozen=True)
class SafetyQuestion:
    """Something to be answered before a case may be concluded."""

    name: str
    text: str
    answer: str = ""


@dataclass(frozen=True)
class Money:
    """The user's own numbers, each None where it was not given; one currency, not converted.

    ``success`` is the probability that the repair succeeds; None: the first suspect's is taken as its upper end.
    """

    bought_for: float | None = None
    parts: float | None = None
    hours: float | None = None
    hour_rate: float | None = None
    sale: float | None = None
    donor_value: float | None = None
    scrap_value: float | None = None
    success: float | None = None
    currency: str = ""


@dataclass(frozen=True)
class Candidate:
    """One outcome of a comparison as the case follows it."""

    name: str
    probability: float
    ref: str | None = None
    net: str | None = None
    faults: Mapping[str, float] = field(default_factory=dict)
    kind: str = ""


@dataclass(frozen=True)
class Standing:
    """Probabilities at one moment; suspects, no fault and other add to one."""

    candidates: tuple[Candidate, ...]
    no_fault: float
    other: float

    def of(self, name: str) -> float:
        """Return the probability of a suspect by its name, 0 where it is not listed."""
        return next((c.probability for c in self.candidates if c.name == name), 0.0)

    @property
    def total(self) -> float:
        """Sum over all outcomes."""
        return math.fsum([self.no_fault, self.other, *(c.probability for c in self.candidates)])


@dataclass(frozen=True)
class Step:
    """One entry that moved the suspects, or that will: ``standing`` is None before the first comparison."""

    number: int
    time: str
    what: str
    standing: Standing | None
    moved: str


@dataclass(frozen=True)
class CaseState:
    """What a case adds up to.

    ``unweighed`` holds the numbers of the readings and recordings that no comparison has weighed yet; ``steps``
    the history of the probabilities; ``entries`` the whole log.
    """

    head: CaseHead
    entries: tuple[Entry, ...] = ()
    readings: tuple[Reading, ...] = ()
    swaps: tuple[CaseSwap, ...] = ()
    ruled_out: tuple[tuple[str, str], ...] = ()
    questions: tuple[SafetyQuestion, ...] = ()
    steps: tuple[Step, ...] = ()
    unweighed: tuple[int, ...] = ()

    def of_kind(self, kind: str) -> tuple[Entry, ...]:
        """Return the entries of one kind, oldest first."""
        return tuple(entry for entry in self.entries if entry.kind == kind)

    def last(self, kind: str) -> Entry | None:
        """Return the newest entry of one kind."""
        found = self.of_kind(kind)
        return found[-1] if found else None

    @property
    def standing(self) -> Standing | None:
        """Where the suspects stand now."""
        return self.steps[-1].standing if self.steps else None

    @property
    def open_questions(self) -> tuple[SafetyQuestion, ...]:
        """Safety questions without an answer."""
        return tuple(q for q in self.questions if not q.answer)


@dataclass(frozen=True)
class Criterion:
    """One pass criterion of a verification: what is wanted, what was found, and whether it is met or not done."""

    name: str
    wanted: str
    found: str
    state: str


@dataclass(frozen=True)
class PlaceChange:
    """A part or place before and after the repair, K over the good boards at ``at_s``; None where not known.

    ``state`` is gone, still_there, new, unknown, or, like the good boards yet not as before, changed (farther from
    them) or nearer.
    """

    name: str
    state: str
    before_k: tuple[float, float, float] | None
    after_k: tuple[float, float, float] | None
    at_s: float | None
    sentence: str


@dataclass(frozen=True)
class Verification:
    """The answer of a verification.

    ``outcome`` is one of VERIFY_OUTCOMES; ``passed`` is True only where every criterion is met: that the fault was
    seen before and is gone, that nothing is new, and the rest.
    """

    outcome: str
    sentence: str
    criteria: tuple[Criterion, ...]
    places: tuple[PlaceChange, ...]
    inputs: tuple[tuple[str, str, str], ...]
    board_name: str
    side: str
    warnings: tuple[str, ...] = ()
    version: str = ""

    @property
    def not_done(self) -> tuple[str, ...]:
        """Names of the criteria that were not tried."""
        return tuple(c.name for c in self.criteria if c.state == "not_done")

    @property
    def passed(self) -> bool:
        """Tell whether every criterion is met and the outcome is good."""
        good = self.outcome in ("gone", "like_good")
        return good and all(c.state == "met" for c in self.criteria)
