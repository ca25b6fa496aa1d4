"""Every way foldtrue can decline, and the exit code each one owns.

FoldtrueError
|- UsageError              2   the call itself is wrong (option, value, unreadable plan text)
|  |- PlanError            2   the plan is not valid or cannot be folded
|  `- AlreadyRecorded      2   its photo is in the record already
|- UnreadableFile          3   not an image, truncated, too large, cannot be written
|- NotThisPiece            4   no piece of this plan in the picture, or its place is not decided
|  `- SiteAmbiguous        4   the lattice fits in more than one place
|- PhotoTooPoor            5   blurred, too small, clipped: nothing reliable can be measured
`- MachineLacks            6   a system library or optional package is missing

Each error carries what was wrong and, apart from it, what the person can do. Errors cross process borders, so they
survive pickling (tests/test_errors.py).
"""

from __future__ import annotations


class FoldtrueError(Exception):
    """Base of all errors a person is meant to read.

    `what` says what is wrong with the photo, the file or the plan; `advice` says what to do about it.
    """

    exit_code = 1

    def __init__(self, what: str, advice: str = "") -> None:
        super().__init__(what, advice)
        self.what = what
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.what} {self.advice}".strip()


class UsageError(FoldtrueError):
    exit_code = 2


class PlanError(UsageError):
    """The plan is invalid or cannot be folded; `twists` names the twists at fault, where they are known."""

    def __init__(self, what: str, advice: str = "", twists: tuple[str, ...] = ()) -> None:
        Exception.__init__(self, what, advice, twists)
        self.what = what
        self.advice = advice
        self.twists = twists


class AlreadyRecorded(UsageError):
    """The photo of an inspection is in the record already, as inspection `number`."""

    def __init__(self, what: str, advice: str = "", number: int = 0) -> None:
        Exception.__init__(self, what, advice, number)
        self.what = what
        self.advice = advice
        self.number = number


class UnreadableFile(FoldtrueError):
    exit_code = 3


class NotThisPiece(FoldtrueError):
    exit_code = 4


class SiteAmbiguous(NotThisPiece):
    """The lattice fits in more than one place: the person settles it with --at."""


class PhotoTooPoor(FoldtrueError):
    exit_code = 5


class MachineLacks(FoldtrueError):
    exit_code = 6
