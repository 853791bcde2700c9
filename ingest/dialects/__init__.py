"""One module per shape of table, each with ``NAME``, ``sniff`` and ``read``.

The first that recognises a table reads it; ``wide`` takes what is left.
"""

from types import ModuleType

from ingest.dialects import long, paired, wide

DIALECTS: tuple[ModuleType, ...] = (paired, long, wide)
