"""Step 6 of the flow: an Inspection becomes files and text a person reads."""

from foldtrue.report.write import ReportFiles, ReportOptions, write_report

__all__ = ["ReportFiles", "ReportOptions", "write_report"]
