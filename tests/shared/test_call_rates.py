"""Calls are counted together by all processes, in Redis or in files; none of two at once is lost."""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.core.cache import cache

from shared import call_rates
from shared.call_rates import count_in_file

ROOT = Path(__file__).resolve().parents[2]
COUNTER = (
    "import sys, pathlib, shared.call_rates as rates\n"
    "for _ in range(200): rates.count_in_file(pathlib.Path(sys.argv[1]), 'read-person-1', 7)"
)


def test_processes_count_together_in_files_and_each_window_begins_anew(tmp_path):
    started = [
        subprocess.Popen([sys.executable, "-c", COUNTER, str(tmp_path / "counts")], cwd=ROOT)
        for _ in range(3)
    ]
    assert [process.wait() for process in started] == [0, 0, 0]
    counts = tmp_path / "counts"
    assert count_in_file(counts, "read-person-1", 7) == 601
    assert count_in_file(counts, "read-person-2", 7) == 1
    assert count_in_file(counts, "read-person-1", 8) == 1
    assert len(list(counts.iterdir())) == 2


def test_a_file_somebody_broke_begins_anew(tmp_path):
    count_in_file(tmp_path, "key", 7)
    (file,) = tmp_path.iterdir()
    file.write_bytes(b"7 x")
    assert count_in_file(tmp_path, "key", 7) == 1


@pytest.mark.redis
def test_callers_at_once_are_counted_one_by_one_in_redis(redis_url, settings):
    settings.CACHES = {
        "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": redis_url}
    }
    settings.COUNTS_FOLDER = None
    cache.clear()
    with ThreadPoolExecutor(8) as pool:
        counts = sorted(pool.map(lambda _: call_rates.count("read-token-1", 7, 60), range(160)))
    assert counts == list(range(1, 161))
