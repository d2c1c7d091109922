"""Read an exported Parquet table: units stand beside the columns, the rest beside the schema."""

import sys

from pyarrow import parquet

table = parquet.read_table(sys.argv[1])
units = {field.name: field.metadata[b"unit"].decode() for field in table.schema if field.metadata}
print(table.num_rows, "rows;", units)
print(table.schema.metadata[b"clock"].decode())
