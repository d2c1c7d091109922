"""The first schema: clients, visits, results, the practice's rules, audit trail."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

MOMENT = sa.DateTime(timezone=True)
SERVICES = (
    ("spine-only", "Spine visit"),
    ("spine-added", "Spine work added to another visit"),
)
"""To begin with; without prices, which are the practice's."""


def upgrade() -> None:
    """Make all tables."""
    _clients()
    _visits()
    _results()
    _practice()
    _first_rows()


def _clients() -> None:
    op.create_table(
        "clients",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=16), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("cautions", sa.Text(), nullable=False),
        sa.Column("body_mass_kg", sa.Double(), nullable=True),
        sa.Column("stature_metres", sa.Double(), nullable=True),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clients")),
        sa.UniqueConstraint("code", name=op.f("uq_clients_code")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "set_ups",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column("machine", sa.String(length=16), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"], ["clients.id"], name=op.f("fk_set_ups_client_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_ups")),
        sa.UniqueConstraint(
            "client_id", "machine", "number", name=op.f("uq_set_ups_client_id_machine_number")
        ),
    )
    op.create_table(
        "limits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column("machine", sa.String(length=16), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"], ["clients.id"], name=op.f("fk_limits_client_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_limits")),
        sa.UniqueConstraint(
            "client_id", "machine", "number", name=op.f("uq_limits_client_id_machine_number")
        ),
    )
    op.create_table(
        "consents",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column("text_version", sa.String(length=40), nullable=False),
        sa.Column("given_at", MOMENT, nullable=False),
        sa.Column("given_to", sa.String(length=8), nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_to", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"], ["clients.id"], name=op.f("fk_consents_client_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consents")),
    )
    op.create_index(op.f("ix_consents_client_id"), "consents", ["client_id"])


def _visits() -> None:
    op.create_table(
        "services",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=24), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("minutes", sa.Integer(), nullable=True),
        sa.Column("price_hundredths", sa.BigInteger(), nullable=True),
        sa.Column("offered", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_services")),
        sa.UniqueConstraint("code", name=op.f("uq_services_code")),
    )
    op.create_table(
        "visits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column("machine", sa.String(length=16), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("service_id", sa.Integer(), nullable=True),
        sa.Column("minutes", sa.Integer(), nullable=True),
        sa.Column("price_hundredths", sa.BigInteger(), nullable=True),
        sa.Column("operator", sa.String(length=8), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.Column("repeat_of", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"], ["clients.id"], name=op.f("fk_visits_client_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["repeat_of"], ["visits.id"], name=op.f("fk_visits_repeat_of"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(["service_id"], ["services.id"], name=op.f("fk_visits_service_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visits")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_visits_client_id_started_at"), "visits", ["client_id", "started_at"])
    op.create_index(op.f("ix_visits_repeat_of"), "visits", ["repeat_of"])
    op.create_index(op.f("ix_visits_started_at"), "visits", ["started_at"])
    op.create_table(
        "recordings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("recording_id", sa.String(length=40), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name=op.f("fk_recordings_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recordings")),
        sa.UniqueConstraint("recording_id", name=op.f("uq_recordings_recording_id")),
    )
    op.create_index(op.f("ix_recordings_visit_id"), "recordings", ["visit_id"])


def _results() -> None:
    op.create_table(
        "results",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("recording_id", sa.String(length=40), nullable=False),
        sa.Column("filed_at", MOMENT, nullable=False),
        sa.Column("software", sa.String(length=40), nullable=False),
        sa.Column("machine", sa.String(length=16), nullable=False),
        sa.Column("joint", sa.String(length=16), nullable=False),
        sa.Column("calibration_ids", sa.JSON(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name=op.f("fk_results_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_results")),
        sa.UniqueConstraint(
            "visit_id", "recording_id", name=op.f("uq_results_visit_id_recording_id")
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "analyses",
        sa.Column("result_id", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["result_id"], ["results.id"], name=op.f("fk_analyses_result_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("result_id", name=op.f("pk_analyses")),
    )
    op.create_table(
        "stations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("result_id", sa.Integer(), nullable=False),
        sa.Column("test", sa.Integer(), nullable=False),
        sa.Column("degrees", sa.Double(), nullable=False),
        sa.Column("torque_nm", sa.Double(), nullable=False),
        sa.Column("torque_u", sa.Double(), nullable=False),
        sa.Column("common_u", sa.Double(), nullable=False),
        sa.Column("efforts_total", sa.Integer(), nullable=False),
        sa.Column("valid_total", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["result_id"], ["results.id"], name=op.f("fk_stations_result_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stations")),
    )
    op.create_index(op.f("ix_stations_result_id"), "stations", ["result_id"])
    op.create_table(
        "curves",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("result_id", sa.Integer(), nullable=False),
        sa.Column("test", sa.Integer(), nullable=False),
        sa.Column("low_degrees", sa.Double(), nullable=False),
        sa.Column("high_degrees", sa.Double(), nullable=False),
        sa.Column("area", sa.Double(), nullable=False),
        sa.Column("area_u", sa.Double(), nullable=False),
        sa.Column("ratio", sa.Double(), nullable=False),
        sa.Column("ratio_u", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["result_id"], ["results.id"], name=op.f("fk_curves_result_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_curves")),
    )
    op.create_index(op.f("ix_curves_result_id"), "curves", ["result_id"])
    op.create_table(
        "sets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("result_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("repetitions", sa.Integer(), nullable=False),
        sa.Column("faulty", sa.Integer(), nullable=False),
        sa.Column("load_nm", sa.Double(), nullable=False),
        sa.Column("work_j", sa.Double(), nullable=False),
        sa.Column("work_u", sa.Double(), nullable=False),
        sa.Column("seconds_under_load", sa.Double(), nullable=False),
        sa.Column("stopped_because", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["result_id"], ["results.id"], name=op.f("fk_sets_result_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sets")),
    )
    op.create_index(op.f("ix_sets_result_id"), "sets", ["result_id"])


def _practice() -> None:
    op.create_table(
        "practice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice")),
    )
    op.create_table(
        "audit",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=True),
        sa.Column("entry", sa.Text(), nullable=True),
        sa.Column("salt", sa.String(length=32), nullable=True),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("link", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_client_id"), "audit", ["client_id"])
    op.create_table(
        "audit_head",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("link", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_head")),
    )


def _first_rows() -> None:
    services = sa.table(
        "services",
        sa.column("code"),
        sa.column("name"),
        sa.column("offered", sa.Boolean()),
        sa.column("version"),
    )
    op.bulk_insert(
        services,
        [{"code": code, "name": name, "offered": True, "version": 1} for code, name in SERVICES],
    )
    practice = sa.table(
        "practice", sa.column("id"), sa.column("content", sa.JSON()), sa.column("version")
    )
    op.bulk_insert(practice, [{"id": 1, "content": {}, "version": 1}])
    head = sa.table("audit_head", sa.column("id"), sa.column("number"), sa.column("link"))
    op.bulk_insert(head, [{"id": 1, "number": 0, "link": "0" * 64}])
