"""Everything kept: PostgreSQL through SQLAlchemy Core. No other package writes SQL."""
