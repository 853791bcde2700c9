"""One module per shape of table, each with ``NAME``, ``sniff`` and ``read``.

The first that recognises a table reads it.
"""

from types import ModuleType

from ingest.dialects import long, wide

DIALECTS: tuple[ModuleType, ...] = (long, wide)
