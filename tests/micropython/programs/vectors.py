"""Print what `vector_check` finds, as JSON."""

import json

from vector_check import check

print(json.dumps(check("/vectors")))
