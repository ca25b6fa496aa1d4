"""The record: what was measured, of which piece, when and by whose hands. The only part that knows SQLAlchemy.

`connection.py` opens the file, `schema.py` says what is in it, `versions.py` brings older ones up to date, `store.py`
adds, finds and removes, `exchange.py` writes and reads copies, `care.py` checks and backs up.
"""
