"""Texts of the sources that name options or commands of the command line."""

from __future__ import annotations

import ast
import re

COMMAND = r"foldtrue (?:piece|ring|grid|sheet|record|camera|judge|compare|plan|mat|practice|progress|report)\b"
OPTION = r"(?<![\w-])--[a-z{]"


def strings(tree):
    """Of a module's syntax tree, without what describes it; {} stands for what is put in."""
    nodes = list(ast.walk(tree))
    bodies = (node.body for node in nodes if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef))
    skipped = {id(body[0].value) for body in bodies if body and isinstance(body[0], ast.Expr)}
    skipped |= {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in nodes:
        text = None
        if isinstance(node, ast.JoinedStr):
            text = "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        if text is not None and id(node) not in skipped and re.search(f"{OPTION}|{COMMAND}", text):
            yield text
