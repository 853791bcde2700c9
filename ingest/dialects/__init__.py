"""One module per shape of table, each with ``NAME``, ``sniff`` and ``read``.

The first that recognises a table reads it; ``wide`` takes what is left.
"""

from types import ModuleType

from ingest.dialects import log_records, long, paired, wide

DIALECTS: tuple[ModuleType, ...] = (log_records, paired, long, wide)
