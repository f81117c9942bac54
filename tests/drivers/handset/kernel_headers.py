"""What the kernel's own headers say."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable
from pathlib import Path


def values_in_c(folder: Path, header: str, expressions: Iterable[str]) -> list[int]:
    """The values of C expressions with a header included; compiled and run in ``folder``."""
    printed = "".join(f'printf("%lu\\n", (unsigned long)({each}));\n' for each in expressions)
    source = f"#include <stdio.h>\n#include <{header}>\nint main(void) {{\n{printed}}}\n"
    (folder / "values.c").write_text(source)
    subprocess.run(["gcc", "-o", folder / "values", folder / "values.c"], check=True)
    said = subprocess.check_output([folder / "values"], text=True)
    return [int(line) for line in said.split()]
