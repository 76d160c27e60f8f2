"""Where the rules can be broken by one small change, and what the changed text is.

A site is a place in a module; it has one or more mutations. Left alone: annotations, decorators, strings
(what a message says), docstrings, imports, and `strict=` of `zip`, which only guards against ourselves.
"""

import ast
import difflib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SWAPS: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.LtE),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.FloorDiv,),
    ast.Pow: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.BitXor: (ast.BitAnd,),
    ast.LShift: (ast.RShift,),
    ast.RShift: (ast.LShift,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
NAMES = {
    "min": "max", "minimum": "maximum", "fmin": "fmax", "nanmin": "nanmax", "any": "all", "ceil": "floor",
    "left": "right",
}  # fmt: skip
NAMES |= {after: before for before, after in NAMES.items()}
UNTOUCHED_KEYWORDS = {"strict", "dtype"}


@dataclass(frozen=True)
class Mutant:
    """One module with one small change."""

    path: str
    line: int
    before: str
    after: str
    text: str

    @property
    def key(self) -> str:
        """Names the mutation whatever its line number: module, and the lines as they were and became."""
        what = f"{self.path}\n{self.before.strip()}\n{self.after.strip()}"
        return hashlib.sha256(what.encode()).hexdigest()[:12]

    def __str__(self) -> str:
        lines = [f"{self.path}:{self.line}  [{self.key}]"]
        return "\n".join([*lines, f"    - {self.before.strip()}", f"    + {self.after.strip()}"])


def sites_of(root: Path, package: str) -> list[list[Mutant]]:
    """Every place of a package that can be changed, with its mutants, in the order of the files."""
    paths = sorted((root / package).rglob("*.py"))
    texts = {path: path.read_text() for path in paths}
    signatures = _signatures(ast.parse(text) for text in texts.values())
    return [
        mutants
        for path, text in texts.items()
        for site in _sites(ast.parse(text), signatures)
        if (mutants := _mutants(str(path.relative_to(root)), text, site))
    ]


Site = tuple[ast.expr | ast.stmt, list[ast.AST]]


def _mutants(path: str, text: str, site: Site) -> list[Mutant]:
    node, changed = site
    assert node.end_lineno is not None
    lines = text.splitlines(keepends=True)
    head = b"".join(line.encode() for line in lines[: node.lineno - 1])
    starts = len(head) + node.col_offset
    raw = text.encode()
    ends = len(b"".join(line.encode() for line in lines[: node.end_lineno - 1])) + (node.end_col_offset or 0)
    found = []
    for new in changed:
        written = ast.unparse(new)
        put = (
            written
            if isinstance(node, ast.stmt | ast.Constant | ast.Name | ast.Attribute)
            else f"({written})"
        )
        mutated = (raw[:starts] + put.encode() + raw[ends:]).decode()
        before, after = _differing(text, mutated)
        found.append(Mutant(path, node.lineno, before, after, mutated))
    return found


def _differing(old: str, new: str) -> tuple[str, str]:
    matcher = difflib.SequenceMatcher(None, a := old.splitlines(), b := new.splitlines(), autojunk=False)
    blocks = [block for block in matcher.get_opcodes() if block[0] != "equal"]
    rows = [(a[i:j], b[k:m]) for _, i, j, k, m in blocks]
    return " ".join(s.strip() for r, _ in rows for s in r), " ".join(s.strip() for _, r in rows for s in r)


def _signatures(trees: Iterator[ast.Module]) -> dict[str, list[str]]:
    """The types of the positional parameters of each function and dataclass, by name."""
    found: dict[str, list[str]] = {}
    for node in (node for tree in trees for node in ast.walk(tree)):
        if isinstance(node, ast.FunctionDef):
            arguments = [argument for argument in node.args.args if argument.arg not in ("self", "cls")]
            found[node.name] = [ast.unparse(a.annotation) if a.annotation else "" for a in arguments]
        elif isinstance(node, ast.ClassDef):
            fields = [
                ast.unparse(field.annotation) for field in node.body if isinstance(field, ast.AnnAssign)
            ]
            found.setdefault(node.name, fields)
    return found


def _sites(tree: ast.Module, signatures: dict[str, list[str]]) -> Iterator[Site]:
    for node in _touchable(tree):
        if isinstance(node, ast.If | ast.While):
            yield node.test, [_negated(node.test)]
        elif isinstance(node, ast.comprehension):
            yield from ((test, [_negated(test)]) for test in node.ifs)
        elif isinstance(node, ast.expr | ast.stmt):
            yield from ((node, changed) for changed in _changes(node, signatures))


def _touchable(node: ast.AST) -> Iterator[ast.AST]:
    """Every node that may be changed, parents first."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.keyword) and child.arg in UNTOUCHED_KEYWORDS:
                continue
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr | ast.Import):
                yield from _touchable(child)


def _changes(node: ast.expr | ast.stmt, signatures: dict[str, list[str]]) -> Iterator[list[ast.AST]]:
    """The mutations of one node, grouped by what is one site."""
    match node:
        case ast.Compare():
            for place, operator in enumerate(node.ops):
                yield [_with(node, ops=_put(node.ops, place, new())) for new in SWAPS[type(operator)]]
        case ast.BoolOp():
            yield [_with(node, op=new()) for new in SWAPS[type(node.op)]]
            for place in range(len(node.values)):
                rest = node.values[:place] + node.values[place + 1 :]
                yield [rest[0] if len(rest) == 1 else _with(node, values=rest)]
        case ast.BinOp():
            if not isinstance(node.left, ast.Constant) or not isinstance(node.left.value, str):
                yield [_with(node, op=new()) for new in SWAPS.get(type(node.op), ())]
        case ast.Call():
            yield from _call_changes(node, signatures)
        case ast.Name() | ast.Attribute() if isinstance(node.ctx, ast.Load):
            yield from _name_changes(node)
        case ast.stmt():
            yield from _statement_changes(node)
        case _:
            yield [*_plain_changes(node)]


def _plain_changes(node: ast.expr) -> Iterator[ast.AST]:
    match node:
        case ast.UnaryOp():
            yield node.operand
        case ast.Constant():
            yield from (ast.Constant(value) for value in _other_values(node.value))
        case ast.IfExp():
            yield _with(node, test=_negated(node.test))


def _call_changes(node: ast.Call, signatures: dict[str, list[str]]) -> Iterator[list[ast.AST]]:
    name = getattr(node.func, "id", getattr(node.func, "attr", ""))
    types = signatures.get(name, [])
    for place, (one, two) in enumerate(zip(node.args, node.args[1:], strict=False)):
        same = place + 1 < len(types) and types[place] == types[place + 1]
        if same and ast.dump(one) != ast.dump(two):
            yield [_with(node, args=_put(_put(node.args, place, two), place + 1, one))]


def _name_changes(node: ast.Name | ast.Attribute) -> Iterator[list[ast.AST]]:
    name = node.id if isinstance(node, ast.Name) else node.attr
    if name in NAMES:
        yield [_with(node, **{"id" if isinstance(node, ast.Name) else "attr": NAMES[name]})]


def _statement_changes(node: ast.stmt) -> Iterator[list[ast.AST]]:
    """A statement left out, or None returned."""
    match node:
        case ast.Return(value=ast.expr() as value) if ast.unparse(value) != "None":
            yield [ast.Return(None)]
        case ast.Expr(value=ast.Constant()):
            return
        case ast.Expr() if isinstance(node.value, ast.Yield | ast.YieldFrom):
            yield [ast.parse("yield from ()").body[0]]
        case ast.Expr() | ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break() | ast.Delete():
            yield [ast.Pass()]
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript() | ast.Tuple()]):
            yield [ast.Pass()]


def _other_values(value: object) -> list[object]:
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int | float):
        others = [value + 1, value - 1, 0 * value, -value]
        return [
            other for number, other in enumerate(others) if other != value and other not in others[:number]
        ]
    return []


def _negated(test: ast.expr) -> ast.expr:
    return ast.UnaryOp(ast.Not(), test)


def _with(node: ast.AST, **changes: object) -> ast.AST:
    fields = {name: getattr(node, name) for name in node._fields} | changes
    return type(node)(**fields)


def _put(values: list, place: int, value: object) -> list:
    return [*values[:place], value, *values[place + 1 :]]
