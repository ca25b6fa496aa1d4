"""What a measured piece's figures mean: the verdict by the person's limits, and the habits its errors show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from foldtrue.handover import Inspection
from foldtrue.handover_judge import Rule, Tolerances

Record = Mapping[str, Any]
Assessing = Callable[[Inspection, Record], Record]
"""From an inspection and its result's record to what else the record holds: `judgement` and `diagnosis`."""


def assess_by(tolerances: Tolerances, rule: Rule) -> Assessing:
    """The parts of result.json that rest on limits and on the comparison of patterns."""

    def assess(inspection: Inspection, record: Record) -> Record:
        from foldtrue.judge.diagnose import diagnose_fit
        from foldtrue.report.diagnosis import diagnosis_record

        habits = diagnosis_record(diagnose_fit(inspection.nominal, inspection.fit))
        return {"judgement": judge_by(tolerances, rule, record), "diagnosis": habits}

    return assess


def judge_by(tolerances: Tolerances, rule: Rule, record: Record) -> Record:
    """`judgement` of a result, of one measured earlier too. Raises UnreadableFile for a record without the published
    form."""
    from foldtrue.judge.piece import judge_record
    from foldtrue.report.judgement import judgement_record

    return judgement_record(judge_record(record, tolerances, rule))
