"""All recordings of all sites, asked in SQL: python many_recordings.py ARCHIVE"""

import sys

import duckdb

columns = f"{sys.argv[1]}/columns/**/*-load.parquet"
question = """
    SELECT site, box, day, channel, count(*), max(load_counts)
    FROM read_parquet(?, hive_partitioning = true) GROUP BY ALL ORDER BY ALL"""
for row in duckdb.execute(question, [columns]).fetchall():
    print(*row)
