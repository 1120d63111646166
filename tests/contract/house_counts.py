"""Counts the package: lines (all, and those of code alone), tokens, modules, full folders, small
modules, missing docstrings.

`python tests/contract/house_counts.py [ROOT]` prints them for a checkout (this one by default);
`test_house.py` holds the limits.
"""

import ast
import sys
import tokenize
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

SMALL_LINES = 60
"""A module below this with one importer must say in its docstring why it stands alone."""

_LAYOUT = {tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}


@dataclass(frozen=True, kw_only=True)
class Counts:
    """What a checkout holds; `files_in` by folder, `lonely` small modules with one importer."""

    lines: int
    code_lines: int
    tokens: int
    modules: int
    files_in: dict[str, int]
    lonely: tuple[str, ...]
    public: int
    undocumented: tuple[str, ...]
    test_lines: int


@cache
def count(root: Path) -> Counts:
    """The counts of a checkout. Package `__init__` files count as lines, not as modules."""
    package = root / "bench" / "mezzmark"
    texts = {path: path.read_text(encoding="utf-8") for path in sorted(package.rglob("*.py"))}
    modules = {path: text for path, text in texts.items() if path.name != "__init__.py"}
    tokens = {path: _tokens(path) for path in texts}
    public, undocumented = _docstrings(modules, package)
    tests = [path.read_text(encoding="utf-8") for path in (root / "tests").rglob("*.py")]
    return Counts(
        lines=sum(text.count("\n") for text in texts.values()),
        code_lines=sum(_code_lines(text, tokens[path]) for path, text in texts.items()),
        tokens=sum(map(len, tokens.values())),
        modules=len(modules),
        files_in=dict(Counter(str(path.parent.relative_to(package)) for path in modules)),
        lonely=_lonely(texts, package),
        public=public,
        undocumented=undocumented,
        test_lines=sum(text.count("\n") for text in tests),
    )


def _tokens(path: Path) -> list[tokenize.TokenInfo]:
    with path.open("rb") as file:
        return [token for token in tokenize.tokenize(file.readline) if token.type not in _LAYOUT]


def _code_lines(text: str, tokens: Sequence[tokenize.TokenInfo]) -> int:
    """Lines that hold more than blanks, a comment or a text that only documents."""
    coded = {
        line
        for token in tokens
        if token.type not in {tokenize.COMMENT, tokenize.ENCODING}
        for line in range(token.start[0], token.end[0] + 1)
    }
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Expr) and isinstance(getattr(node.value, "value", None), str):
            coded -= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return len(coded)


def _dotted(path: Path, package: Path) -> str:
    parts = path.relative_to(package.parent).with_suffix("").parts
    return ".".join(parts).removesuffix(".__init__")


def _lonely(texts: dict[Path, str], package: Path) -> tuple[str, ...]:
    names = {_dotted(path, package): path for path in texts}
    importers: dict[str, set[str]] = defaultdict(set)
    for path, text in texts.items():
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ImportFrom) and node.module:
                for alias in node.names:
                    full = f"{node.module}.{alias.name}"
                    importers[full if full in names else node.module].add(str(path))
            elif isinstance(node, ast.Import):
                for alias in node.names:
                    importers[alias.name].add(str(path))
    return tuple(
        name
        for name, path in names.items()
        if path.name not in ("__init__.py", "__main__.py")
        and texts[path].count("\n") < SMALL_LINES
        and len(importers[name]) == 1
        and "stands alone" not in (ast.get_docstring(ast.parse(texts[path])) or "")
    )


def _docstrings(modules: dict[Path, str], package: Path) -> tuple[int, tuple[str, ...]]:
    public, missing = 0, []
    for path, text in modules.items():
        for node in ast.parse(text).body:
            members = node.body if isinstance(node, ast.ClassDef) else []
            for found in (node, *members):
                if not isinstance(found, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                    continue
                if found.name.startswith("_") or (members and node.name.startswith("_")):
                    continue
                public += 1
                if ast.get_docstring(found) is None and not _is_stub(found):
                    missing.append(f"{_dotted(path, package)}.{found.name}")
    return public, tuple(missing)


def _is_stub(node: ast.AST) -> bool:
    """A protocol's member, which has only an ellipsis."""
    body = getattr(node, "body", [])
    return (
        len(body) == 1
        and isinstance(body[0], ast.Expr)
        and isinstance(getattr(body[0].value, "value", None), type(...))
    )


def main() -> None:
    """Print the counts of the checkout named, or of this one."""
    root = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2]
    found = count(root)
    fullest = max(found.files_in, key=lambda folder: found.files_in[folder])
    share = 100 * (1 - len(found.undocumented) / found.public)
    lines = f"{found.lines} lines ({found.code_lines} of code)"
    print(f"package: {lines}, {found.tokens} tokens, {found.modules} modules")
    print(f"fullest folder: {fullest} with {found.files_in[fullest]} modules")
    print(f"small modules with one importer: {len(found.lonely)} {' '.join(found.lonely)}")
    print(f"public functions and classes with a docstring: {share:.1f} % of {found.public}")
    print(f"tests: {found.test_lines} lines")


if __name__ == "__main__":
    main()
