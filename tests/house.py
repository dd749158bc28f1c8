"""Reads the tree as text for the house rules: modules, what they import, what is not pure in them,
circles, classes cut into slices. Nothing of it is imported or run."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

PURE_IMPORTS = frozenset(
    {
        "__future__", "abc", "array", "base64", "binascii", "bisect", "collections", "contextlib",
        "copy",
        "csv", "dataclasses", "datetime", "decimal", "difflib", "enum", "fractions", "functools",
        "hashlib", "hmac", "html", "io.StringIO", "itertools", "json", "lzma", "math", "operator",
        "pathlib.PurePath", "re", "statistics.median", "string", "struct", "textwrap", "types",
        "typing", "unicodedata", "urllib.parse", "zlib",
        "annotated_types", "babel", "cobs", "cryptography", "fastcrc", "numpy", "pydantic",
        "pydantic_core",
        "scipy.optimize.least_squares", "scipy.optimize.minimize", "scipy.special.chdtri",
        "scipy.special.fdtrc",
        "scipy.special.log_ndtr", "scipy.special.stdtrit", "tsdownsample",
    }
)  # fmt: skip
"""All that a pure file may import beside pure files of ours: the same input gives the same output,
whenever and wherever it is asked for. The few calls that would not are told below."""
IMPURE_NAMES = frozenset(
    {"__import__", "breakpoint", "eval", "exec", "hash", "id", "input", "open", "print"}
)
CLOCK_READS = frozenset({"now", "utcnow", "today"})
"""Of ``datetime`` and ``date``: a stamp that is given may be shown, none may be taken."""
NUMPY_READS = frozenset(
    {
        "random", "fromfile", "genfromtxt", "load", "loadtxt", "memmap", "save", "savetxt",
        "savez", "savez_compressed",
    }
)  # fmt: skip
SAYS_PURE = re.compile(r"\b(pure|data only)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Module:
    """One file."""

    name: str
    """As it is imported."""
    text: str
    is_package: bool = False

    @cached_property
    def tree(self) -> ast.Module:
        """Its syntax."""
        return ast.parse(self.text)

    @cached_property
    def nodes(self) -> list[ast.AST]:
        """Everything in it."""
        return list(ast.walk(self.tree))

    @cached_property
    def docstring(self) -> str:
        """What it says of itself."""
        return ast.get_docstring(self.tree) or ""

    @property
    def is_pure(self) -> bool:
        """Whether its first line says so. A package that holds nothing needs not say it."""
        return bool(SAYS_PURE.search(self.docstring.partition("\n")[0])) or (
            self.is_package and all(map(_is_constant, self.tree.body))
        )


Modules = Mapping[str, Module]


def _is_constant(node: ast.stmt) -> bool:
    """A docstring, or a name for a plain value."""
    value = node.value if isinstance(node, ast.Expr | ast.Assign) else None
    return isinstance(value, ast.Constant)


def modules_in(root: Path, package: str) -> dict[str, Module]:
    """Every module of a package below ``root``."""
    found = {}
    for path in sorted((root / package).rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        is_package = parts[-1] == "__init__"
        name = ".".join(parts[:-1] if is_package else parts)
        found[name] = Module(name, path.read_text("utf-8"), is_package)
    return found


def imported(module: Module) -> Iterator[tuple[str, str]]:
    """Everything it imports, anywhere in it: the module, and the name taken from it or empty."""
    for node in module.nodes:
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"{module.name}: imports are written in full"
            yield from ((node.module, alias.name) for alias in node.names)


def imports(module: Module, modules: Modules) -> set[str]:
    """Which of these modules it imports."""
    within = ((f"{place}.{name}", place) for place, name in imported(module))
    return {inner if inner in modules else place for inner, place in within} & set(modules)


# --- purity --------------------------------------------------------------------------------------


def impurities(module: Module, modules: Modules) -> set[str]:
    """What in a pure file is not pure: imports and calls."""
    return {*_impure_imports(module, modules), *_impure_calls(module)}


def _impure_imports(module: Module, modules: Modules) -> Iterator[str]:
    ours = {name.partition(".")[0] for name in modules}
    for place, name in imported(module):
        full = f"{place}.{name}".rstrip(".")
        parts = full.split(".")
        ways = {".".join(parts[: n + 1]) for n in range(len(parts))}
        reads = parts[0] == "numpy" and NUMPY_READS & set(parts)
        if parts[0] not in ours and (reads or not ways & PURE_IMPORTS):
            yield f"imports {full}"
    yield from (f"imports {m}" for m in imports(module, modules) if not modules[m].is_pure)


def _impure_calls(module: Module) -> Iterator[str]:
    clocks, numpy = _bound_to(module, "datetime"), _bound_to(module, "numpy")
    for node in module.nodes:
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            if node.id in IMPURE_NAMES:
                yield f"uses {node.id}"
        elif isinstance(node, ast.Attribute):
            root = _root(node)
            clock = node.attr in CLOCK_READS and root in clocks
            if clock or (node.attr in NUMPY_READS and root in numpy):
                yield f"uses {ast.unparse(node)}"
        elif isinstance(node, ast.Call) and ast.unparse(node).endswith(".astimezone()"):
            yield "uses the time zone of this computer"


def _bound_to(module: Module, package: str) -> set[str]:
    """Names that stand for a package, or for something in it."""
    found = set()
    for node in module.nodes:
        if isinstance(node, ast.Import):
            found |= {a.asname or a.name.split(".")[0] for a in node.names
                      if a.name.split(".")[0] == package}  # fmt: skip
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == package:
            found |= {a.asname or a.name for a in node.names}
    return found


def _root(node: ast.expr) -> str:
    while isinstance(node, ast.Attribute):
        node = node.value
    return node.id if isinstance(node, ast.Name) else ""


# --- circles -------------------------------------------------------------------------------------


def circles(modules: Modules) -> list[list[str]]:
    """Modules that import each other, by whatever way and for whatever purpose."""
    graph = {name: imports(module, modules) - {name} for name, module in modules.items()}
    reach: dict[str, set[str]] = {}
    for name in graph:
        seen, ahead = set(), [name]
        while ahead:
            new = graph[ahead.pop()] - seen
            seen |= new
            ahead += new
        reach[name] = seen
    groups = {frozenset({b for b in reach[a] if a in reach[b]}) for a in graph}
    return sorted(sorted(group) for group in groups if group)


# --- classes cut into slices ---------------------------------------------------------------------


def slices(modules: Modules) -> set[str]:
    """Classes of ours that are the base of exactly one class and are named nowhere else but where
    they are imported: a part of that one class, reached through ``self`` and not through an
    interface. ``module.Class`` of each."""
    defined, heirs, named = set(), Counter[str](), Counter[str]()
    for module in modules.values():
        names = _ours(module, modules)
        for node in module.nodes:
            if isinstance(node, ast.ClassDef):
                defined.add(f"{module.name}.{node.name}")
                heirs.update({_named(base, names) for base in node.bases})
            elif isinstance(node, ast.Name | ast.Attribute):
                named[_named(node, names)] += 1
    return {name for name in defined if heirs[name] == named[name] == 1}


def _ours(module: Module, modules: Modules) -> dict[str, str]:
    """What names of a module stand for: its own classes, and what it imports of ours."""
    names = {
        node.name: f"{module.name}.{node.name}"
        for node in module.nodes
        if isinstance(node, ast.ClassDef)
    }
    packages = {name.partition(".")[0] for name in modules}
    for node in module.nodes:
        if isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] in packages:
            names |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
        elif isinstance(node, ast.Import):
            names |= {a.asname: a.name for a in node.names if a.asname}
            names |= {top: top for top in packages}
    return names


def _named(node: ast.expr, names: Mapping[str, str]) -> str:
    """The class or module that an expression names; empty for anything else."""
    if isinstance(node, ast.Subscript):
        return _named(node.value, names)
    if isinstance(node, ast.Attribute):
        return f"{_named(node.value, names)}.{node.attr}"
    return names.get(node.id, "") if isinstance(node, ast.Name) else ""
