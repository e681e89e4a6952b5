"""What the long verifications share."""

import json

import pytest


@pytest.fixture
def record(request):
    """Figures of a suite by part, each with its own commit, so that a part can be run again; kept after each part."""
    file = request.path.with_suffix(".json")
    figures = json.loads(file.read_text()) if file.exists() else {}
    yield figures
    file.write_text(json.dumps(figures, indent=2, sort_keys=True) + "\n")
