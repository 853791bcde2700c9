"""Files sent to the pages: held on disk, bounded, refused beyond a size."""

import io
import os
import time

import pytest

from analytics.vocabulary.errors import IngestError
from service.pages.uploads import Uploads


def held(folder, **limits):
    return Uploads(folder, **{"file_bytes_most": 1000, "bytes_most": 2500, **limits})


def test_a_file_outlives_the_process(tmp_path):
    digest = held(tmp_path).keep("ä;b.csv", io.BytesIO(b"x" * 999))
    assert held(tmp_path).get(digest) == ("ä;b.csv", b"x" * 999)
    held(tmp_path).forget(digest)
    assert held(tmp_path).get(digest) is None
    assert list(tmp_path.iterdir()) == []


def test_the_oldest_go_where_there_are_too_many_or_too_much(tmp_path):
    uploads = held(tmp_path, files_most=3)
    digests = []
    for n in range(5):
        digests.append(uploads.keep(f"{n}.csv", io.BytesIO(bytes([n]) * 100)))
        os.utime(tmp_path / digests[-1], (time.time() - 100 + n,) * 2)
    assert [uploads.get(d) is not None for d in digests] == [False, False, True, True, True]
    big = [uploads.keep(f"big{n}", io.BytesIO(bytes([65 + n]) * 1000)) for n in range(3)]
    assert sum(p.stat().st_size for p in tmp_path.iterdir() if len(p.name) == 64) <= 2500
    assert uploads.get(big[-1]) is not None


def test_a_week_is_enough(tmp_path):
    uploads = held(tmp_path)
    old = uploads.keep("old", io.BytesIO(b"old"))
    os.utime(tmp_path / old, (time.time() - 8 * 86400,) * 2)
    uploads.keep("new", io.BytesIO(b"new"))
    assert uploads.get(old) is None


def test_too_large_is_refused_and_leaves_nothing(tmp_path):
    with pytest.raises(IngestError, match="larger than"):
        held(tmp_path).keep("big.csv", io.BytesIO(b"x" * 1001))
    assert list(tmp_path.iterdir()) == []


def test_a_hash_is_no_path(tmp_path):
    (tmp_path / "secret").write_text("x")
    (tmp_path / "secret.json").write_text('{"name": "x"}')
    assert held(tmp_path / "uploads").get("../secret") is None
