"""Nothing that is kept is written except through specimeter.files: every module is read, and any other way is a failure."""

import ast
from pathlib import Path

import pytest

from tests.conftest import nodes as nodes_of

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]
THE_ONE_WAY = "specimeter/files.py"
ALLOWED = {
    "specimeter/record/store.py": {"os.rename"},  # a whole folder appears by one rename
    "specimeter/library/store.py": {"sqlite3.connect"},  # SQLite keeps its own file whole, by its journal and its locks
    "plugins/specimeter_napari/journal.py": {"open"},  # acts are appended one by one to a file that stays open and locked
    "plugins/specimeter_napari/session.py": {"self.journal.path.rename"},  # another window's journal is set aside as it is
    "plugins/guide/screens.py": {  # pictures of the guide, made again at will
        "shot.save",
        "Image.open(f'{options.out}/{name}.png').convert('RGB').save",
    },
}

OPENERS = {
    "open",
    "io.open",
    "codecs.open",
    "gzip.open",
    "bz2.open",
    "lzma.open",
    "tarfile.open",
    "zipfile.ZipFile",
    "os.fdopen",
}
FLAGS = {"O_WRONLY", "O_RDWR", "O_CREAT", "O_APPEND", "O_TRUNC"}
FUNCTIONS = {
    "os": "write pwrite rename renames replace link symlink truncate ftruncate mknod sendfile",
    "shutil": "copy copy2 copyfile copyfileobj copytree copymode move make_archive unpack_archive",
    "tempfile": "mkstemp NamedTemporaryFile TemporaryFile SpooledTemporaryFile",
    "cv2": "imwrite imwritemulti imwriteanimation VideoWriter FileStorage",
    "numpy": "save savez savez_compressed savetxt memmap",
    "skimage.io": "imsave",
    "imageio": "imwrite imsave mimwrite",
    "logging": "FileHandler",
    "urllib.request": "urlretrieve",
    "sqlite3": "connect",
}
METHODS = {
    "write_text",
    "write_bytes",
    "touch",
    "symlink_to",
    "hardlink_to",
    "tofile",
    "dump",
    "imwrite",
    "imsave",
    "extract",
    "extractall",
}
TABLES = "to_csv to_json to_excel to_parquet to_pickle to_html to_feather to_hdf to_latex to_markdown to_string to_xml to_orc"
INTO_MEMORY_ONLY = {"save", "savefig", *TABLES.split()}
MEMORY = {"BytesIO", "io.BytesIO", "StringIO", "io.StringIO"}


def offenders(source: str, own: frozenset[str] = frozenset()) -> list[str]:
    """Every call in a module's source that could write a file on its own: 'line: call'.

    `own`: names of objects, 'bench', whose class is of this project and has a method `open` that is read here like all else.
    """
    nodes = nodes_of(source)
    known = _imports(nodes)
    memory = set(_bound_to_memory(nodes, known))
    found = []
    for call in (node for node in nodes if isinstance(node, ast.Call)):
        name = _dotted(call.func, known)
        if name is not None and name.startswith("specimeter."):
            continue
        if isinstance(call.func, ast.Attribute) and call.func.attr == "open" and _last_name(call.func.value) in own:
            continue
        if _writes(call, name, memory, known):
            found.append(f"{call.lineno}: {name or ast.unparse(call.func)}")
    return found


def _last_name(node):
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else None


def openers_of_our_own(sources) -> frozenset[str]:
    """The names, in small letters, of the project's classes that have a method `open`."""
    classes = (node for source in sources for node in nodes_of(source) if isinstance(node, ast.ClassDef))
    return frozenset(
        one.name.lower()
        for one in classes
        if any(isinstance(part, ast.FunctionDef) and part.name == "open" for part in one.body)
    )


def _imports(nodes):
    """What a bare name stands for: 'np' -> 'numpy', 'copy' -> 'shutil.copy'."""
    known = {}
    for node in nodes:
        if isinstance(node, ast.Import):
            known |= {(a.asname or a.name.split(".")[0]): (a.name if a.asname else a.name.split(".")[0]) for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            known |= {(a.asname or a.name): f"{node.module}.{a.name}" for a in node.names}
    return known


def _dotted(node, known):
    """'shutil.copy' for shutil.copy or an alias of it; None where the thing called is not a plain module name."""
    if isinstance(node, ast.Name):
        return known.get(node.id, node.id)
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name | ast.Attribute):
        base = _dotted(node.value, known)
        root = node.value
        while isinstance(root, ast.Attribute):
            root = root.value
        return f"{base}.{node.attr}" if base and isinstance(root, ast.Name) and root.id in known else None
    return None


def _bound_to_memory(nodes, known):
    for node in nodes:
        if isinstance(node, ast.Assign | ast.AnnAssign | ast.NamedExpr) and _is_memory(node.value, known):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (target.id for target in targets if isinstance(target, ast.Name))
        elif (
            isinstance(node, ast.withitem) and _is_memory(node.context_expr, known) and isinstance(node.optional_vars, ast.Name)
        ):
            yield node.optional_vars.id


def _is_memory(node, known):
    return isinstance(node, ast.Call) and _dotted(node.func, known) in MEMORY


def _writes(call, name, memory, known):
    attribute = call.func.attr if isinstance(call.func, ast.Attribute) else None
    given = {keyword.arg: keyword.value for keyword in call.keywords}
    first = (
        call.args[0]
        if call.args
        else next((given[k] for k in ("path", "path_or_buf", "fp", "fname", "buf", "file") if k in given), None)
    )
    in_memory = first is not None and (_is_memory(first, known) or (isinstance(first, ast.Name) and first.id in memory))
    if name == "os.open":
        return any(isinstance(node, ast.Attribute) and node.attr in FLAGS for node in ast.walk(call))
    if name in OPENERS:
        return not in_memory and _mode_writes(call.args[1] if len(call.args) > 1 else given.get("mode"))
    module, _, function = (name or "").rpartition(".")
    if function in FUNCTIONS.get(module, "").split(" ") and function:
        return not (in_memory and module == "numpy")
    if name == "typst.compile":
        return "output" in given or len(call.args) > 1
    if attribute == "open":
        return name is None and _mode_writes(call.args[0] if call.args else given.get("mode"))
    if attribute in METHODS:
        return not in_memory
    if attribute in ("replace", "rename"):  # Path.replace(target); str.replace has two arguments, the others have keywords
        return len(call.args) == 1 and not call.keywords
    if attribute in INTO_MEMORY_ONLY:
        nothing = first is None or (isinstance(first, ast.Constant) and first.value is None)
        return not in_memory and not (nothing and attribute.startswith("to_"))
    return False


def _mode_writes(mode):
    if mode is None:
        return False
    return not isinstance(mode, ast.Constant) or not isinstance(mode.value, str) or bool(set(mode.value) & set("wax+"))


def _modules():
    return sorted(path for folder in ("specimeter", "plugins") for path in (ROOT / folder).rglob("*.py"))


def test_every_module_writes_through_the_one_way():
    """No module of the package or of a plugin writes a file by itself."""
    modules = {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in _modules()}
    assert THE_ONE_WAY in modules
    assert len(modules) > 10
    own = openers_of_our_own(modules.values())
    found = [
        f"{name}:{offence}"
        for name, source in modules.items()
        if name != THE_ONE_WAY
        for offence in offenders(source, own)
        if offence.split(": ")[1] not in ALLOWED.get(name, ())
    ]
    assert not found, "these write a file past specimeter.files.write:\n" + "\n".join(found)


def test_only_a_class_of_our_own_lends_its_name():
    """An object named for a class that has a method `open` is that; a path of any other name is a path."""
    own = openers_of_our_own(["class Bench:\n    def open(self, photo): ...", "class Path:\n    def read(self): ..."])
    assert own == {"bench"}
    assert offenders("self.bench.open(photo)", own) == []
    assert offenders("bench.path.open(mode)", own) != []
    assert offenders("path.open(mode)", own) != []
    assert offenders("self.bench.path.write_text('a')", own) != []


def test_the_one_way_itself_would_be_caught():
    """The check sees a writer that is known to be one."""
    assert any("open" in offence for offence in offenders((ROOT / THE_ONE_WAY).read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "source",
    [
        "open('a', 'w')",
        "open('a', mode='ab')",
        "open('a', 'x')",
        "open('a', 'r+')",
        "open('a', mode)",
        "import io\nio.open('a', 'wb')",
        "import os\nos.fdopen(3, 'w')",
        "import os\nos.open('a', os.O_WRONLY | os.O_CREAT)",
        "import gzip\ngzip.open('a', 'wt')",
        "import zipfile\nzipfile.ZipFile('a.zip', 'w')",
        "from zipfile import ZipFile\nZipFile('a.zip', mode='a')",
        "path.open('w')",
        "path.open(mode='a')",
        "(folder / 'a').open('wb')",
        "path.write_text('x')",
        "(folder / 'a').write_bytes(b'x')",
        "path.touch()",
        "path.replace(other)",
        "path.rename(other)",
        "image.save('a.png')",
        "image.save(path, format='PNG')",
        "image.save(fp=path)",
        "figure.savefig(path)",
        "import cv2\ncv2.imwrite('a.png', picture)",
        "from cv2 import imwrite\nimwrite('a.png', picture)",
        "import numpy as np\nnp.save('a', x)",
        "import numpy as np\nnp.savez_compressed(path, x=x)",
        "from numpy import savetxt as put\nput('a', x)",
        "array.tofile('a')",
        "frame.to_csv('a.csv')",
        "frame.to_csv(path_or_buf=path)",
        "frame.to_parquet(path)",
        "import json\njson.dump(x, stream)",
        "import pickle\npickle.dump(x, stream)",
        "import shutil\nshutil.copy('a', 'b')",
        "from shutil import copyfile\ncopyfile('a', 'b')",
        "import shutil as s\ns.move('a', 'b')",
        "import os\nos.replace('a', 'b')",
        "import os\nos.rename('a', 'b')",
        "import tempfile\ntempfile.NamedTemporaryFile()",
        "from skimage import io\nio.imsave('a.png', x)",
        "import typst\ntypst.compile('a.typ', output='a.pdf')",
        "import sqlite3\nsqlite3.connect(path)",
        "def f():\n    class A:\n        def g(self):\n            self.path.write_text('x')",
        "buffer = open_somewhere()\nimage.save(buffer)",
    ],
)
def test_planted_offenders_are_caught(source):
    assert offenders(source)


@pytest.mark.parametrize(
    "source",
    [
        "open('a')",
        "open('a', 'rb')",
        "open('a', encoding='utf-8')",
        "path.open()",
        "path.open('rb')",
        "from PIL import Image\nImage.open(path)",
        "import os\nos.open(path, os.O_RDONLY)",
        "from io import BytesIO\nbuffer = BytesIO()\nimage.save(buffer, format='PNG')",
        "import io\nwith io.BytesIO() as buffer:\n    image.save(buffer, 'PNG')",
        "from io import BytesIO\nimport zipfile\nzipfile.ZipFile(BytesIO(), 'w')",
        "frame.to_csv()",
        "frame.to_csv(None)",
        "frame.to_csv(index=False)",
        "import json\njson.dumps(x)",
        "text.replace('a', 'b')",
        "frame.rename(columns={'a': 'b'})",
        "import dataclasses\ndataclasses.replace(record, a=1)",
        "moment.replace(tzinfo=None)",
        "from specimeter import files\nfiles.write(path, data)",
        "from specimeter.scene.files import save\nsave(picture, folder, stem)",
        "import typst\ntypst.compile(source)",
        "import cv2\ncv2.imencode('.png', picture)",
        "path.read_text(encoding='utf-8')",
        "folder.mkdir(parents=True)",
    ],
)
def test_readers_and_memory_are_left_alone(source):
    assert offenders(source) == []
