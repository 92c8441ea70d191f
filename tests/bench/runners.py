"""Run Turnblue and the peers on the same task; make the peers' environments.

In: a task (see `peers/opencv_peer.py`) and a folder for environments. Out: `{method: [answer...]}`, and for each peer
that could not be run, one sentence why.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path

import cv2
import numpy as np

from tests.bench.scene import DESIGN, project

HERE = Path(__file__).parent / "peers"
PEERS = {
    "plantcv": ("plantcv_peer.py", "plantcv==4.11.3"),
    "checker-detection": ("checker_detection_peer.py", "colour-checker-detection==0.2.3"),
}
"""Peers that cannot share this environment (they pin an older OpenCV): worker and what pip installs."""


def make_environment(name: str, folder: Path) -> tuple[Path | None, str]:
    """Return a peer's own Python, made where missing, or None and why it could not be made."""
    home = folder / name
    python = home / "bin" / "python"
    if not (home / "ready").exists():
        venv.create(home, with_pip=True)
        done = subprocess.run(
            [str(python), "-m", "pip", "install", "-q", PEERS[name][1]], capture_output=True, text=True
        )
        if done.returncode:
            return None, f"{name}: pip could not install {PEERS[name][1]}: {done.stderr.strip().splitlines()[-1:]}"
        (home / "ready").write_text(PEERS[name][1])
    return python, ""


def run_worker(python: str | Path, worker: str, task: dict) -> dict[str, list[dict]]:
    """Run a worker script on a task in an environment of its own."""
    with tempfile.TemporaryDirectory() as folder:
        asked, answered = Path(folder) / "task.json", Path(folder) / "answers.json"
        asked.write_text(json.dumps(task))
        done = subprocess.run(
            [str(python), str(HERE / worker), str(asked), str(answered)], capture_output=True, text=True
        )
        if done.returncode:
            raise RuntimeError(f"{worker} failed: {done.stderr[-2000:]}")
        return json.loads(answered.read_text())


def run_peers(task: dict, environments: Path | None) -> tuple[dict[str, list[dict]], list[str]]:
    """Return the answers of OpenCV and of the peers with environments of their own, and what could not be run."""
    task = task | {"design": str(DESIGN)}
    answers, missing = {}, []
    if task["target"] in ("card", "chart"):
        answers |= run_worker(sys.executable, "opencv_peer.py", task)
    for name, (worker, _) in PEERS.items():
        if task["target"] == "card" or (task["target"] == "patches" and name != "plantcv"):
            continue
        if environments is None:
            missing.append(f"{name}: not run (give --peers FOLDER to make its environment there).")
            continue
        python, why = make_environment(name, environments)
        if python is None:
            missing.append(why)
        else:
            answers |= run_worker(python, worker, task)
    return answers, missing


def turnblue_answer(path: Path) -> dict:
    """Return what Turnblue finds in one photo."""
    from vision.card import find_card
    from vision.errors import NoCardFound
    from vision.photo import open_photo

    photo = open_photo(path)
    try:
        card = find_card(photo)
    except NoCardFound as refusal:
        return {"corners": None, "centres": None, "error": refusal.code}
    rects = np.array([patch.rect_mm for patch in card.design.patches])
    centres = project(card.homography, rects[:, :2] + rects[:, 2:] / 2)
    return {
        "kind": card.design.kind, "corners": card.corners_px.tolist(), "centres": centres.tolist(), "ordered": True,
    }  # fmt: skip


def run_turnblue(task: dict) -> dict[str, list[dict]]:
    """Return Turnblue's answers, timed as the peers are: decoding and searching over one `cv2.imread`."""
    answers = []
    for path in task["photos"]:
        begin = time.perf_counter()
        cv2.imread(path)
        decoding = time.perf_counter() - begin
        begin = time.perf_counter()
        answer = turnblue_answer(Path(path))
        wrong_kind = answer.get("kind") not in (None, {"card": "turnblue", "chart": "chart24"}[task["target"]])
        if wrong_kind:
            # One target taken for the other: its place may be right, its patches are not.
            answer |= {"corners": [[0, 0]] * 4, "centres": [[0, 0]] * 24, "error": "wrong kind"}
        answers.append(answer | {"seconds": time.perf_counter() - begin, "decode_seconds": decoding})
    return {"turnblue": answers}
