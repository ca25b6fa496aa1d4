"""Is it getting better, at what, and is that more than chance? Takes what the record gives, knows no database.

`statistics.py` is plain statistics, `series.py` makes comparable figures of recorded pieces, `judge.py` says what may
be said of them, `chart.py` and `page.py` draw, `wording.py` writes. Definitions: docs/progress.md.
"""
