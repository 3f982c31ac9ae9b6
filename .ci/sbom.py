"""Compare an SBOM with the packages of the Python that runs this: `PYTHON .ci/sbom.py FILE`.

Exit code 1 if a package is missing in either, or has another version. The SBOM is CycloneDX JSON
(https://cyclonedx.org/docs/1.6/json/). Names are compared as PyPI does (PEP 503).
"""

from __future__ import annotations

import json
import re
import sys
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

NOT_SHIPPED = frozenset({"pip", "setuptools", "wheel"})
"""Packages that a new environment may contain from the start."""


def named(sbom: dict[str, Any]) -> dict[str, str]:
    """Version by name, the main component included."""
    main = sbom.get("metadata", {}).get("component")
    parts = [*sbom.get("components", []), *([main] if main else [])]
    return {_plain(part["name"]): part.get("version", "") for part in parts}


def installed() -> dict[str, str]:
    """Version by name, in the environment of the running Python."""
    return {_plain(one.metadata["Name"]): one.version for one in distributions()}


def differences(sbom: dict[str, str], there: dict[str, str]) -> list[str]:
    """A line for each package that differs."""
    lines = []
    for name in sorted((sbom.keys() | there.keys()) - NOT_SHIPPED):
        listed, found = sbom.get(name), there.get(name)
        if listed != found:
            lines.append(f"{name}: SBOM {listed or 'does not name it'}, installed {found or 'not at all'}")
    return lines


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def main() -> int:
    """Compare and print."""
    sbom = named(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8")))
    there = installed()
    lines = differences(sbom, there)
    for line in lines:
        sys.stdout.write(f"{line}\n")
    if not lines:
        sys.stdout.write(f"{len(there.keys() - NOT_SHIPPED)} packages installed, each as the SBOM says\n")
    return int(bool(lines))


if __name__ == "__main__":
    sys.exit(main())
