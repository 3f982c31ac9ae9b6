"""Build hook: the wheel with the modules listed in pyproject.toml compiled by mypyc.

    HATCH_BUILD_HOOK_ENABLE_CUSTOM=1 python -m pip install .       # needs a C compiler and Python's headers

Without that variable nothing here runs and the wheel is plain Python. Both give the same outputs to the bit,
because the same source is compiled, with the double precision of C as in the interpreter, and no operations
are fused. Copies of the sources are compiled; the wheel contains the sources and the compiled modules.
"""

from __future__ import annotations

import ast
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PACKAGES = ("drivers", "hw_replay", "vario")

_QUICK = "from drivers.quick import dataclass"


class CompileHook(BuildHookInterface[Any]):
    """Compiles the modules that the globs in `modules` match, and adds them to the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called before the wheel is built. An editable installation is not compiled."""
        if version == "editable":
            return
        self._scratch = Path(tempfile.mkdtemp())
        try:
            for built in compiled(Path(self.root), self._scratch, self.config["modules"]):
                build_data["force_include"][str(built)] = str(built.relative_to(self._scratch / "lib"))
        except BaseException:
            shutil.rmtree(self._scratch)  # `finalize` is not called then
            raise
        build_data["pure_python"] = False
        build_data["infer_tag"] = True

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:  # noqa: ARG002  (the interface)
        """Called after the wheel has been built."""
        if version != "editable":
            shutil.rmtree(self._scratch)


def compiled(root: Path, scratch: Path, modules: list[str]) -> list[Path]:
    """Compile the modules that globs relative to `root` match; returns the libraries, below `scratch`/lib."""
    # Imported here, because only a compiled build has these packages.
    from mypyc.build import mypycify  # noqa: PLC0415  (see above)
    from setuptools import Distribution  # noqa: PLC0415  (likewise)

    source, lib = scratch / "source", scratch / "lib"
    for package in PACKAGES:
        shutil.copytree(root / package, source / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(root / "pyproject.toml", source)  # the settings of mypy
    paths = sorted({path for glob in modules for path in source.glob(glob) if path.name != "__init__.py"})
    for path in paths:
        path.write_text(prepared(path.read_text(encoding="utf-8")), encoding="utf-8")
    before = Path.cwd()
    os.chdir(source)  # mypy and mypyc find modules and their settings from here
    try:
        # Other modules are read only for their types; `make lint` reports their errors.
        options = ["--follow-imports=silent"]
        extensions = mypycify([*options, *(str(path.relative_to(source)) for path in paths)], multi_file=True)
        for extension in extensions:
            # Otherwise GCC on ARM would fuse a·b + c into one operation that rounds once instead of twice.
            extension.extra_compile_args.append("-ffp-contract=off")
        build = Distribution({"name": "vario", "ext_modules": extensions}).get_command_obj("build_ext")
        build.build_lib, build.build_temp = str(lib), str(scratch / "objects")
        build.parallel = os.cpu_count()
        build.ensure_finalized()
        build.run()
    finally:
        os.chdir(before)
    return sorted(path for path in lib.rglob("*") if path.is_file())


def prepared(text: str) -> str:
    """The source with two additions for the compiler; every line keeps its number.

    * The constructor of each class that `drivers/quick.py` makes is written out, on the empty line after its
      fields. It is then one call in C. The rest of the class is made by `drivers/quick.py`.
    * Numbers of a module, named in capitals, are marked as constants and not looked up by name then.
      mypy checks that none is ever assigned again. (Tuples are left: mypyc 2.4 takes some of them for unset.)

    Raises:
        ValueError: if there is no empty line after the fields of a class.
    """
    lines = text.split("\n")
    for node in ast.parse(text).body:
        if isinstance(node, ast.ClassDef) and _QUICK in lines:
            _write_constructor(node, lines)
        elif isinstance(node, ast.Assign) and _is_number(node):
            end = node.targets[0].end_col_offset
            line = lines[node.lineno - 1]
            lines[node.lineno - 1] = f"{line[:end]}: Final{line[end:]}"
    future = lines.index("from __future__ import annotations")
    lines[future] += "; from typing import Final"
    return "\n".join(lines)


def _is_number(node: ast.Assign) -> bool:
    target, value = node.targets[0], node.value
    if not (isinstance(target, ast.Name) and target.id.isupper()):
        return False
    computed = isinstance(value, ast.Call) and ast.unparse(value.func).startswith("math.")
    plain = isinstance(value, ast.Constant) and isinstance(value.value, int | float)
    return plain or computed or isinstance(value, ast.UnaryOp | ast.BinOp)


def _write_constructor(node: ast.ClassDef, lines: list[str]) -> None:
    decorators = {ast.unparse(decorator): decorator.lineno - 1 for decorator in node.decorator_list}
    line = decorators.get("dataclass(frozen=True, slots=True)")
    has_more = any(isinstance(part, ast.FunctionDef) and part.name == "__post_init__" for part in node.body)
    if line is None or node.bases or has_more:
        return
    lines[line] = "@dataclass(frozen=True, slots=True, init=False)"
    place = _end_of_fields(node)
    if lines[place].strip():
        raise ValueError(f"{node.name}: expected an empty line after its fields")
    lines[place] = _constructor(node)


def _end_of_fields(node: ast.ClassDef) -> int:
    """Index of the line after the last field and its docstring."""
    fields = [k for k, part in enumerate(node.body) if isinstance(part, ast.AnnAssign)]
    after = node.body[fields[-1] + 1 : fields[-1] + 2]
    documented = bool(after) and isinstance(after[0], ast.Expr)
    end = (after[0] if documented else node.body[fields[-1]]).end_lineno
    assert end is not None  # noqa: S101  (parsed from text)
    return end


def _constructor(node: ast.ClassDef) -> str:
    parameters, assignments = [], []
    for part in node.body:
        if not isinstance(part, ast.AnnAssign):
            continue
        name, kind = ast.unparse(part.target), ast.unparse(part.annotation)
        factory = None
        if isinstance(part.value, ast.Call) and part.value.keywords:
            (factory,) = (
                ast.unparse(word.value) for word in part.value.keywords if word.arg == "default_factory"
            )
        if factory is not None:
            parameters.append(f"{name}: {kind} | None = None")
            assignments.append(f"self.{name} = {factory}() if {name} is None else {name}")
        else:
            default = "" if part.value is None else f" = {ast.unparse(part.value)}"
            parameters.append(f"{name}: {kind}{default}")
            assignments.append(f"self.{name} = {name}")
    head = f"    def __init__(self, {', '.join(parameters)}) -> None:"
    # mypy rejects assignments to a frozen class; the constructor must make them.
    return f"{head} {'; '.join(assignments)}  # type: ignore[misc]"
