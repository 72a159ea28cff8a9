"""Nothing in the source runs text, unpickles, or hands a line to a shell: read from the syntax tree, so that no comment hides it.

The list follows the OWASP Cheat Sheets "Deserialization", "OS Command Injection Defense" and "Injection Prevention" (titles and content from memory).
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent
MODULES = {"pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve", "jsonpickle", "pty"}
BUILT_IN = {"eval", "exec", "compile", "__import__"}
CALLS = {
    "os.system", "os.popen", "os.execv", "os.execve", "os.execvp", "os.execl", "os.execlp", "os.spawnl", "os.spawnv", "os.spawnlp", "os.spawnvp", "os.posix_spawn", "os.startfile",
    "yaml.load", "yaml.unsafe_load", "yaml.full_load", "pandas.read_pickle", "pd.read_pickle", "pandas.eval", "pd.eval", "torch.load", "tempfile.mktemp",
    "subprocess.getoutput", "subprocess.getstatusoutput", "asyncio.create_subprocess_shell",
}
METHODS = {"read_pickle", "to_pickle", "query"}
KEYWORDS = {"shell", "allow_pickle"}


def unsafe(tree):
    """(line, what) of every unsafe import, call or keyword."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            yield from ((node.lineno, name) for name in names if name.split(".")[0] in MODULES)
        elif isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in BUILT_IN or called in CALLS or called.rpartition(".")[2] in METHODS:
                yield node.lineno, called
            for keyword in node.keywords:
                if keyword.arg in KEYWORDS and not (isinstance(keyword.value, ast.Constant) and keyword.value.value is False):
                    yield node.lineno, f"{called}({keyword.arg}=...)"


@pytest.mark.parametrize("package", ["cycler", "dashboard"])
def test_source_runs_no_text(package):
    found = [
        f"{path.relative_to(PROJECT)}:{line}: {what}" for path in sorted((PROJECT / package).rglob("*.py"))
        for line, what in unsafe(ast.parse(path.read_text("utf-8")))
    ]
    assert found == []


@pytest.mark.parametrize("code", [
    "import pickle", "from marshal import loads", "eval('1')", "import os\nos.system('x')", "run('x', shell=True)", "numpy.load(f, allow_pickle=True)",
    "yaml.load(f)", "frame.to_pickle(p)", "exec(x)", "numpy.load(f, allow_pickle=given)",
])
def test_the_test_sees_what_is_unsafe(code):
    assert len(list(unsafe(ast.parse(code)))) == 1
    assert not list(unsafe(ast.parse("# import pickle\nnumpy.load(f, allow_pickle=False)")))


@pytest.mark.parametrize("package", ["cycler", "dashboard"])
def test_whoever_writes_csv_disarms_formulas(package):
    """Which texts are changed and how is held beside each file that is written; here, that none is written by another way (OWASP, "CSV Injection")."""
    texts = {path.name: path.read_text("utf-8") for path in sorted((PROJECT / package).rglob("*.py"))}
    writers = {name: text for name, text in texts.items() if "csv.writer(" in text or "DictWriter(" in text or "to_csv(" in text}
    assert writers and [name for name, text in writers.items() if "import spreadsheet_safe" not in text] == []
