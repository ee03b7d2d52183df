"""schemathesis asks whatever the API's own description allows, and much that it does not."""

import json
from importlib import resources
from pathlib import Path
from typing import Any

import depot
import pytest
import schemathesis
from hypothesis import HealthCheck, given
from hypothesis import settings as bounded
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from edge.settings import Settings
from web import create_app

EXAMPLES = 40
PLAIN = {"Accept-Encoding": "identity"}  # the test's own transport unpacks nothing
CROSSED = ("since: expected a time before until", "from: expected a time before to")
PATHS = json.loads(resources.files("web").joinpath("openapi.json").read_text("utf-8"))["paths"]
ASKED = [
    (path, mode)
    for path in sorted(PATHS)
    for mode in GenerationMode
    # What takes no parameter cannot be asked wrongly.
    if mode is GenerationMode.POSITIVE or "parameters" in PATHS[path]["get"]
]


@pytest.fixture(scope="module")
def described(settings: Settings, history: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The description that the page of a site with three days behind it serves of itself."""
    runtime = tmp_path_factory.mktemp("run")
    depot.show(runtime, depot.newest(settings, "act"))
    app = create_app(settings, history, runtime, lambda: depot.NOW + 2.0)
    return schemathesis.openapi.from_wsgi("/api/openapi.json", app)


@pytest.mark.parametrize(("path", "mode"), ASKED)
def test_the_api_keeps_to_its_description(described: Any, path: str, mode: GenerationMode) -> None:
    """Every answer to what is allowed fits its schema, what is not allowed is refused as described, and nothing is a fault of the server."""
    operation = described[path]["GET"]

    @given(case=operation.as_strategy(generation_mode=mode))
    @bounded(
        max_examples=EXAMPLES,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    def ask(case: Any) -> None:
        answer = case.call(headers=PLAIN)
        # That one time must come before another is more than OpenAPI can describe.
        crossed = answer.status_code == 400 and any(c in answer.text for c in CROSSED)
        case.validate_response(
            answer, excluded_checks=[positive_data_acceptance] if crossed else None
        )

    ask()
