"""What these tests need of the machine."""

from __future__ import annotations

import os
import subprocess

import pytest

from tests.scenarios.crash.ptrace import Traced, TracedError

pytest.register_assert_rewrite(
    *(f"tests.scenarios.crash.{name}" for name in ("after_the_cut", "bench", "scenes"))
)


@pytest.fixture(scope="session")
def tracing_is_permitted() -> None:
    """That a process may trace its own child: not so in an emulated machine and in some
    containers. Where all tools are promised (``CI=true``), so is this."""
    with subprocess.Popen(["sleep", "60"], process_group=0) as child:
        try:
            traced = Traced(child.pid)
        except TracedError as error:
            child.kill()
            if os.environ.get("CI") == "true":
                raise
            pytest.skip(str(error))
        traced.kill()
        assert list(traced.calls()) is not None
