"""The tables in the code and the tables the migrations build are the same ones."""

from __future__ import annotations

import psycopg
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import NullPool, create_engine
from sqlalchemy.engine import make_url

from service.store.database import migrate
from service.store.tables import RIGHTS, SERVICE_ROLE, metadata

CATALOGUE = {
    "columns": """
        SELECT table_name, ordinal_position, column_name, data_type, udt_name, is_nullable, column_default, is_identity,
               identity_generation, character_maximum_length, numeric_precision, datetime_precision, collation_name
        FROM information_schema.columns WHERE table_schema = 'public'""",
    "constraints": """
        SELECT conrelid::regclass::text, conname, contype, pg_get_constraintdef(oid), condeferrable, convalidated
        FROM pg_constraint WHERE connamespace = 'public'::regnamespace""",
    "indexes": "SELECT tablename, indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
    "sequences": """
        SELECT sequencename, data_type, start_value, increment_by FROM pg_sequences WHERE schemaname = 'public'""",
    "rights": """
        SELECT table_name, privilege_type, '' AS column_name FROM information_schema.role_table_grants
        WHERE table_schema = 'public' AND grantee <> grantor
        UNION ALL
        SELECT table_name, privilege_type, column_name FROM information_schema.column_privileges
        WHERE table_schema = 'public' AND grantee <> grantor""",
    "others": """
        SELECT relname, relkind FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind IN ('v', 'm', 'f', 'p', 'c')
        UNION ALL
        SELECT tgname, 't' FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
        WHERE NOT tgisinternal AND relnamespace = 'public'::regnamespace
        UNION ALL SELECT proname, 'F' FROM pg_proc WHERE pronamespace = 'public'::regnamespace""",
}
OWN = "alembic_version"  # the migrations' own table, of which the code has no need


def look(url: str) -> dict[str, set[tuple[object, ...]]]:
    """Everything the server's catalogue says about the public schema."""
    with psycopg.connect(url) as connection:
        return {
            name: {row for row in connection.execute(query).fetchall() if row[0] != OWN}
            for name, query in CATALOGUE.items()
        }


def build_from_tables(url: str) -> None:
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"), poolclass=NullPool)
    metadata.create_all(engine)
    with engine.begin() as connection:
        for table, rights in RIGHTS.items():
            connection.exec_driver_sql(f"GRANT {rights} ON {table} TO {SERVICE_ROLE}")


def differences(url: str) -> list[object]:
    """What Alembic would change to make the database what the code says."""
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"), poolclass=NullPool)
    with engine.connect() as connection:
        options = {"compare_type": True, "compare_server_default": True}
        context = MigrationContext.configure(connection, opts=options)
        return list(compare_metadata(context, metadata))


def test_the_migrations_build_what_the_tables_say(empty_url: str, database_url: str) -> None:
    build_from_tables(empty_url)
    assert look(database_url) == look(empty_url)
    assert differences(database_url) == []
    assert differences(empty_url) == []


def test_the_comparison_sees_every_table_and_every_kind_of_change(empty_url: str) -> None:
    migrate(empty_url)
    before = look(empty_url)
    assert {row[0] for row in before["columns"]} == set(metadata.tables) == set(RIGHTS)
    assert all(before[kind] for kind in ("constraints", "indexes", "sequences", "rights"))
    changes = {
        "columns": "ALTER TABLE infants ALTER unit SET DEFAULT 'ward'",
        "constraints": "ALTER TABLE decisions DROP CONSTRAINT decisions_no_limbo_check",
        "indexes": "DROP INDEX facts_patient_idx",
        "sequences": "ALTER TABLE facts ALTER id SET INCREMENT BY 2",
        "rights": f"GRANT DELETE ON cursors TO {SERVICE_ROLE}",
        "others": "CREATE FUNCTION one() RETURNS int LANGUAGE sql AS 'SELECT 1'",
    }
    with psycopg.connect(empty_url, autocommit=True) as connection:
        for kind, statement in changes.items():
            connection.execute(statement)
            after = look(empty_url)
            assert {name for name in before if before[name] != after[name]} == {kind}
            before = after
    assert differences(empty_url) != []
