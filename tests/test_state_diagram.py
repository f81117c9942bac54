"""The state diagram in the contributors' guide is the one that the table gives."""

from __future__ import annotations

from pathlib import Path

from tests.state_diagram import diagram

GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- state diagram: generated -->", "<!-- end -->"


def test_the_diagram_has_the_six_phases_and_the_way_to_zero() -> None:
    lines = diagram().splitlines()
    assert lines[:2] == ["stateDiagram-v2", "    [*] --> IDLE"]
    assert "    RUNNING --> EXPIRED : zero reached" in lines
    assert "    note right of LIVE : refused: stop, timing correction" in lines
    sources = {line.split()[0] for line in lines if " --> " in line}
    assert sources == {"[*]", "IDLE", "SET", "RUNNING", "LIVE", "STOPPED", "EXPIRED"}


def test_the_guide_holds_the_generated_diagram() -> None:
    """After a change of the table: ``python3 -m tests.state_diagram``, pasted into the guide."""
    text = GUIDE.read_text(encoding="utf-8")
    assert text.count(BEGIN) == 1, f"{GUIDE.name} must hold {BEGIN!r} once"
    block = text.split(BEGIN)[1].split(END)[0]
    assert block.strip() == f"```mermaid\n{diagram()}\n```"
