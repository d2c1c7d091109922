"""Recordings and results of many boxes and sites, searchable; made anew from the files at any time.

- ``schema``     the tables, the same in SQLite (one laptop) and PostgreSQL (a chain)
- ``database``   opening either, by its URL
- ``facts``      what a recording file says about itself
- ``catalogue``  entering and finding; entering twice changes nothing
- ``archive``    where files lie in a shared folder, and their columns as Parquet
- ``questions``  SQL over catalogue and columns, by DuckDB

Clients are codes, unique within a site.  Who is who never enters here.
"""
