"""What is not at hand is skipped, and fails where the references are required."""

import pytest

from reference.outside import data_file, library, stop


def test_what_is_missing_is_skipped_with_the_way_to_get_it(monkeypatch):
    monkeypatch.delenv("GISPRIO_REFERENCE", raising=False)
    with pytest.raises(pytest.skip.Exception, match=r"no_such_library is not at hand.*\.\[reference\]"):
        library("no_such_library")
    with pytest.raises(pytest.skip.Exception, match="no-such-package is not at hand: pip install --no-deps"):
        data_file("no-such-package", ".tif")


def test_what_is_required_fails():
    with pytest.raises(pytest.fail.Exception, match=r"gone \(GISPRIO_REFERENCE=required\)"):
        stop("gone", {"GISPRIO_REFERENCE": "required"})
