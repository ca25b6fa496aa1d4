"""The types of judging: limits, figures read from a result, verdicts, the touch-up list; frozen, no behaviour beyond
checks (see handover.py)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from foldtrue.errors import UsageError

FigureKind = Literal["twist_position", "twist_angle", "closure", "pleat_width", "pleat_parallelism", "outline", "size"]
KINDS: tuple[FigureKind, ...] = get_args(FigureKind)
Word = Literal["within", "outside", "too_close", "not_measured"]
PieceWord = Literal["within", "outside", "too_close", "not_enough_measured"]
LimitUnit = Literal["mm", "deg", "of_pitch", "percent"]
RIM = "rim"
"""What lies in a direction where the plan has no further twist."""


@dataclass(frozen=True)
class Limit:
    """How large a figure of one kind may be, in `unit`; of_pitch: as a share of the grid's pitch. needed: a piece of
    which one such figure was not measured is not called within."""

    value: float
    unit: LimitUnit
    needed: bool


@dataclass(frozen=True)
class Tolerances:
    """A named set of limits. sha256: of its content, the same for any spelling of the same file. built_in: foldtrue's
    own proposal, not the person's."""

    name: str
    sha256: str
    limits: Mapping[FigureKind, Limit]
    built_in: bool


@dataclass(frozen=True, kw_only=True)
class Rule:
    """How the uncertainty goes into a verdict: a guard band of `guard` times the expanded uncertainty U = 2 u on either
    side of a limit; 0 = simple acceptance, the value alone decides. Raises UsageError outside 0 to 3."""

    guard: float = 0.83

    def __post_init__(self) -> None:
        if not 0 <= self.guard <= 3:
            raise UsageError(f"A guard band of {self.guard:g} uncertainties makes no sense.", "Give 0 to 3.")


@dataclass(frozen=True)
class Figure:
    """One figure of a result, to be held against a limit.

    value: the deviation, in `unit`; of a position its length, never negative. std: standard uncertainty, of a position
    along its least certain direction; u95: as the result states it. All None where it was not measured. vector: (x, y)
    of a position. twists: the twists it belongs to.
    """

    kind: FigureKind
    id: str
    unit: Literal["mm", "deg", "percent"]
    value: float | None
    std: float | None
    u95: float | None
    twists: tuple[str, ...] = ()
    vector: tuple[float, float] | None = None


@dataclass(frozen=True)
class TwistPlace:
    """Where the plan has a twist. planned_mm: centre, folded frame. hand: +1 ccw, -1 cw."""

    id: str
    ring: int
    border: bool
    hand: int
    planned_mm: tuple[float, float]


@dataclass(frozen=True)
class Figures:
    """All that judging reads of a result. joined: pairs of twists with a pleat between them, empty where the result has
    no pleats. pitch_mm: None where the result does not
    tell. view: of several photos backlit where one is."""

    figures: tuple[Figure, ...]
    twists: tuple[TwistPlace, ...]
    joined: frozenset[frozenset[str]]
    pitch_mm: float | None
    view: str
    plan_sha256: str


@dataclass(frozen=True)
class Judged:
    """A figure against its limit (in the figure's unit). probability: that the true value is within it. p_value: of a
    figure measured this far out when it truly lies at the limit. None where it was not measured."""

    figure: Figure
    limit: float
    needed: bool
    word: Word
    probability: float | None
    p_value: float | None


@dataclass(frozen=True)
class Settle:
    """What would settle a figure that is too close to call: smaller: the share that its uncertainty must shrink to, 0
    where it lies at the limit itself. photos: so many independent photos like this one would do, None above 9."""

    figure: Figure
    smaller: float
    photos: int | None
    advice: str


@dataclass(frozen=True)
class TouchUp:
    """One place worth refolding; `order` counts from 1 in the order to work in.

    gain: drop of the mean square of all twists' errors in limits, noise taken out, were this one as planned;
    limits_regained: figures that would no longer be outside or too close. shift_mm: how far to move it towards
    `towards` (twist ids or RIM; two of them where the direction lies between); overturn_deg: in its own hand, positive
    is turned too far. gap_mm: of a node. Each is None where it does not exceed its uncertainty. after: twists of the
    list to refold first, because they carry this one.
    """

    order: int
    kind: Literal["twist", "node"]
    id: str
    word: Word
    twists: tuple[str, ...]
    limits_regained: int
    gain: float
    mean_error_drop_mm: float
    mean_error_drop_deg: float
    shift_mm: float | None
    shift_u95_mm: float | None
    towards: tuple[str, ...]
    overturn_deg: float | None
    overturn_u95_deg: float | None
    gap_mm: float | None
    gap_u95_mm: float | None
    after: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class Judgement:
    """The verdict on a piece. by_chance: figures that are outside by themselves, but no further than the worst of so
    many good ones may be. all_within: least and greatest probability that every measured figure is truly within.
    missing: needed figures that were not measured, by kind."""

    word: PieceWord
    tolerances: Tolerances
    rule: Rule
    figures: tuple[Judged, ...]
    twists: Mapping[str, Word]
    by_chance: bool
    all_within: tuple[float, float]
    missing: Mapping[FigureKind, int]
    settle: tuple[Settle, ...]
    touch_up: tuple[TouchUp, ...]


ChangeWord = Literal["better", "worse", "moved", "no_difference"]


@dataclass(frozen=True)
class Change:
    """One figure before and after: size of the change (of a position that of the vector's), u95: both uncertainties
    together. 'moved': changed, but neither nearer to the plan nor farther by more than that."""

    before: Figure
    after: Figure
    size: float
    u95: float
    word: ChangeWord


@dataclass(frozen=True)
class Comparison:
    """Two results of one piece; largest change first. same_way_up: the errors themselves show that both are on one
    orientation of the plan; False = that is taken for granted. same_view: both photos are of one view."""

    changes: tuple[Change, ...]
    same_way_up: bool
    same_view: bool


CauseCode = Literal["drift", "rows", "hand_shift", "turn_alike", "overturn", "size", "ring", "border", "single"]

FindingUnit = Literal["mm", "deg", "percent", "times", "mm_per_ring"]


@dataclass(frozen=True)
class Finding:
    """A pattern in a piece's errors that chance does not make.

    size, u95, unit: how much of it there is, as docs/conventions.md defines it for each code. normal_deg: the direction
    it runs in, for drift and rows; twists: the twists it is about. p_value: of chance doing as much anywhere among all
    that was looked for of its kind. share: of the errors' mean square, noise taken out, that would go with it: of
    places and of turns, None where it has no part in them. sentence, advice: in the folder's words. rival: another kind
    of pattern that explains it as well.
    """

    code: CauseCode
    size: float
    u95: float | None
    unit: FindingUnit
    normal_deg: float | None
    twists: tuple[str, ...]
    p_value: float
    share_position: float | None
    share_angle: float | None
    sentence: str
    advice: str
    rival: CauseCode | None = None


@dataclass(frozen=True)
class BorderCheck:
    """Scatter per axis of border twists and of the others, noise taken out, each with its u95; p_value: of the two
    being alike."""

    border_mm: float
    border_u95_mm: float | None
    inner_mm: float
    inner_u95_mm: float | None
    difference_mm: float
    difference_u95_mm: float | None
    p_value: float


@dataclass(frozen=True)
class Diagnosis:
    """Patterns found, the plainest first; none is an answer. scatter_mm (per axis), scatter_deg: what is left without
    any pattern, noise taken out. border: None where there are not three twists of each. reason: why nothing can be
    said, else None."""

    findings: tuple[Finding, ...]
    scatter_mm: float | None
    scatter_deg: float | None
    border: BorderCheck | None
    reason: str | None
