"""The tables of the record, as of version `SCHEMA_VERSION`. No type or rule here belongs to one database alone.

person 1-n piece 1-n inspection 1-1 result; inspection 1-n figure, 1-n tag, n-1 plan, n-m photo. Deleting a person, a
piece or an inspection deletes all that hangs on it.
"""

from __future__ import annotations

from sqlalchemy import (
    Column,
    Date,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

SCHEMA_VERSION = 1
"""Raise it with every change below, and of how the figures that are kept are defined, and add the step that leads here
to versions.py."""

metadata = MetaData(
    naming_convention={  # constraints need names before a later step can change them
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

record_version = Table(
    "record_version",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("reached_at", String(40), nullable=False),
)

people = Table(
    "people",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("alias", String(200), nullable=False, unique=True),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", String(64), nullable=False, unique=True),
    Column("name", String(200), nullable=False),
    Column("pitch_mm", Float),
    Column("document", Text),
)

pieces = Table(
    "pieces",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(200), nullable=False, unique=True),
    Column("person_id", ForeignKey("people.id", ondelete="CASCADE"), index=True),
    Column("paper", String(200)),
)

inspections = Table(
    "inspections",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(32), nullable=False, unique=True),
    Column("piece_id", ForeignKey("pieces.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("plan_id", ForeignKey("plans.id"), index=True),
    Column("stage", String(10), nullable=False),
    Column("done_on", Date, nullable=False, index=True),
    Column("recorded_at", String(40), nullable=False),
    Column("note", Text),
    Column("view", String(20)),
    Column("planned", Integer, nullable=False),
    Column("measured", Integer, nullable=False),
    Column("taken", Integer, nullable=False),
    sqlite_autoincrement=True,  # a number that was removed is never given again
)

results = Table(
    "results",
    metadata,
    Column("inspection_id", ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True),
    Column("document", Text, nullable=False),
)

figures = Table(
    "figures",
    metadata,
    Column("inspection_id", ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True),
    Column("members_of", String(40), primary_key=True),
    Column("members", Integer, nullable=False),
    Column("position_mm", Float),
    Column("position_u95_mm", Float),
    Column("angle_deg", Float),
    Column("angle_u95_deg", Float),
)

photos = Table(
    "photos",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", String(64), nullable=False, unique=True),
    Column("name", String(255), nullable=False),
    Column("thumbnail", LargeBinary),
    Column("no_thumbnail", Text, nullable=False),
)

inspection_photos = Table(
    "inspection_photos",
    metadata,
    Column("inspection_id", ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True),
    Column("photo_id", ForeignKey("photos.id"), primary_key=True, index=True),
    Column("place", Integer, nullable=False),
    UniqueConstraint("inspection_id", "place"),
)

tags = Table(
    "tags",
    metadata,
    Column("inspection_id", ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True),
    Column("tag", String(200), primary_key=True),
)
