import base64
import hashlib
import json
import re
import shutil
import zlib

import numpy as np
import pytest

from miner.recording.windows import read_windows
from miner.review.packing import unpack
from miner.review.report import write_report
from miner.review.source import ReviewSource
from tests.review.made import NASTY, make_findings


def _frozen(path):
    text = path.read_text(encoding="utf-8")
    data = re.search(r'<script type="application/json" id="frozen">(.*?)</script>', text, re.DOTALL).group(1)
    return text, json.loads(data)


def _inflate(text):
    return unpack(zlib.decompress(base64.b64decode(text)))


@pytest.fixture
def report(findings, tmp_path, built_page):
    folder = shutil.copytree(findings, tmp_path / "findings")
    shutil.copy(findings.parent / "drive.parquet", tmp_path)
    return write_report(folder)


def test_script_and_style_are_named_by_their_hashes_and_nothing_may_connect(report, built_page):
    text, _ = _frozen(report)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text).group(1)
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy
    for name in ("page.js", "page.css"):
        digest = base64.b64encode(hashlib.sha256(built_page[name].encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert "http:" not in text
    assert "https:" not in text


def test_the_windows_are_the_true_samples(report, source):
    _, frozen = _frozen(report)
    header, arrays = next(_inflate(w) for w in frozen["windows"] if _inflate(w)[0]["step"] == 1)
    times = np.cumsum(arrays["time_s"])
    first = source.clock.nearest(times[0])
    scale, offset = header["scales"]["lead_1"]
    true = next(read_windows(source.recording, ["lead_2"], [(first, first + len(times))])).volts["lead_2"]
    np.testing.assert_allclose(arrays["lead_1"] * scale + offset, true, atol=1e-6)
    np.testing.assert_allclose(times, source.clock.to_seconds(np.arange(first, first + len(times))), atol=1e-8)


def test_the_size_is_kept_by_leaving_out_the_least_suspicious(report, findings, tmp_path):
    small = write_report(report.parent, max_bytes=120_000)
    _, frozen = _frozen(small)
    assert small.stat().st_size <= 120_000
    full = len(list(ReviewSource(report.parent).suspects["event_id"]))
    assert 1 < len(frozen["windows"]) < 1 + 2 * full


def test_names_from_files_cannot_end_the_script(tmp_path, built_page):
    folder = make_findings(tmp_path, duration_s=3.0, rate_hz=50_000.0, nasty_column=True)
    text, frozen = _frozen(write_report(folder))
    assert NASTY not in text
    assert _inflate(frozen["open"])[0]["recording"]["vehicle"] == NASTY


def test_a_healthy_recording_has_a_report_too(tmp_path, built_page):
    folder = make_findings(tmp_path, duration_s=3.0, rate_hz=50_000.0, healthy=True)
    _, frozen = _frozen(write_report(folder))
    assert len(frozen["windows"]) == 1
    assert _inflate(frozen["open"])[0]["suspects"] == []


def test_a_page_that_cannot_be_put_into_one_file_is_a_defect(report, built_page):
    built_page["page.js"] = "document.write('</script>')"
    with pytest.raises(ValueError, match="one file"):
        write_report(report.parent)
