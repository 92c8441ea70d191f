"""The audit of dependencies: what it finds fails the build, what it could not look up is said and does not."""

import importlib.util
import json
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "audit"


@pytest.fixture(scope="module")
def audit():
    spec = importlib.util.spec_from_loader("ci_audit", SourceFileLoader("ci_audit", str(SCRIPT)))
    module = importlib.util.module_from_spec(spec)
    sys.dont_write_bytecode, before = True, sys.dont_write_bytecode
    spec.loader.exec_module(module)
    sys.dont_write_bytecode = before
    return module


SAID = {
    "dependencies": [
        {"name": "sound", "version": "1.0", "vulns": []},
        {
            "name": "holed",
            "version": "2.0",
            "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["2.1"]}],
        },
        {"name": "unknown", "skip_reason": "not found"},
    ]
}


def test_a_known_vulnerability_counts(audit):
    assert audit.judge(SAID, {}) == (["holed 2.0: PYSEC-1, mended in 2.1"], ["unknown"], 2)


@pytest.mark.parametrize("name", ["PYSEC-1", "CVE-1"])
def test_an_accepted_one_does_not(audit, name):
    assert audit.judge(SAID, {name: "we never call it"})[0] == []


@pytest.mark.parametrize("tool", ["/nothing/of/the/kind", "false"])
def test_a_look_up_that_did_not_happen_is_said(audit, capsys, tool):
    assert audit.look_up([tool], ["click==8.2.0"], 20.0) is None
    assert "NOT AUDITED: the look-up did not happen" in capsys.readouterr().out


def test_build_audits():
    assert ".ci/audit" in (SCRIPT.parent / "run").read_text()


@pytest.mark.parametrize(("vulnerable", "status"), [(True, 1), (False, 0)], ids=["a hole", "none"])
def test_what_it_found_is_the_builds_status(tmp_path, vulnerable, status):
    """The whole script, asking a tool that answers as pip-audit does."""
    said = {"dependencies": [each for each in SAID["dependencies"] if vulnerable or not each.get("vulns")]}
    tool = tmp_path / "tool"
    tool.write_text(
        f"#!{sys.executable}\nimport sys, pathlib\n"
        "asked = pathlib.Path(sys.argv[sys.argv.index('-r') + 1]).read_text()\n"
        "assert 'click==' in asked and 'turnblue==' not in asked\n"
        f"pathlib.Path(sys.argv[sys.argv.index('-o') + 1]).write_text({json.dumps(said)!r})\n"
        f"sys.exit({int(vulnerable)})\n"
    )
    tool.chmod(0o755)
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--python", sys.executable, "--tool", str(tool)], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (status, "")
    assert f"Audited {1 + vulnerable} packages: {int(vulnerable)} known vulnerabilities." in done.stdout
    assert "NOT AUDITED: 1 packages that the service does not know: unknown" in done.stdout
    assert ("holed 2.0: PYSEC-1, mended in 2.1" in done.stdout) == vulnerable
