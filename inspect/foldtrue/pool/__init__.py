"""Step between fit and report where several photos show one piece: their figures become those of the piece."""

from foldtrue.pool.photos import pool_photos

__all__ = ["pool_photos"]
