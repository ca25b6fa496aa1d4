"""Where things are, and what may not be: the source folder, the public names, the layers."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import foldtrue

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "inspect" / "foldtrue"
MODULES = sorted(path for path in PACKAGE.rglob("*.py"))


def test_the_source_folder_is_no_package():
    assert not (ROOT / "inspect" / "__init__.py").exists()
    assert [path.name for path in (ROOT / "inspect").iterdir() if not path.name.endswith(".egg-info")] == ["foldtrue"]


def test_the_standard_librarys_inspect_stays():
    assert inspect.signature(len)
    assert ROOT not in Path(inspect.__file__).parents


@pytest.mark.parametrize("name", foldtrue.__all__)
def test_every_public_name_can_be_had(name):
    assert getattr(foldtrue, name) is not None


def test_the_public_list_is_the_lazy_list():
    assert sorted(foldtrue.__all__) == sorted([*foldtrue._HOME, "__version__"])
    assert dir(foldtrue) == sorted(foldtrue.__all__)


def test_an_unknown_public_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = foldtrue.nonsense


def test_importing_the_package_loads_nothing_heavy():
    heavy = ("numpy", "cv2", "scipy", "pydantic", "PIL", "sqlalchemy")
    code = f"import foldtrue, sys; print([m for m in {heavy} if m in sys.modules])"
    source = {**os.environ, "PYTHONPATH": str(ROOT / "inspect")}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=source)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_readable_and_import_from_the_defining_module(module):
    text = module.read_text("utf-8")
    assert text.count("\n") <= 400
    assert "from foldtrue import" not in text.replace("from foldtrue import __version__", "")


def test_no_module_takes_a_standard_librarys_name():
    assert not {path.stem for path in MODULES} & {"html", "json", "csv", "types", "inspect", "logging"}


def test_every_top_level_module_has_its_layer():
    contract = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"][0]
    listed = {name.strip(" ()") for layer in contract["layers"] for name in layer.replace(":", "|").split("|")}
    modules = {path.stem if path.is_file() else path.name for path in PACKAGE.iterdir() if path.suffix in ("", ".py")}
    assert modules - {"__init__", "__pycache__"} <= listed


def test_the_package_is_typed():
    assert (PACKAGE / "py.typed").exists()


def test_only_the_record_knows_its_database():
    knowing = {module.parent.name for module in MODULES if "sqlalchemy" in module.read_text("utf-8")}
    assert knowing == {"record"}
