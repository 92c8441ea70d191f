"""Search photos and correct patches with plantcv: `plantcv_peer.py TASK.json ANSWERS.json`.

In: `{"target": "chart", "photos": [path...]}` for searching, or `{"target": "patches", "sets": [{"encoded": 24x3,
"reference": 24x3}...]}` for correcting, each patch by a fit of the others. Out: `{method: [answer...]}`. Runs in
plantcv's own environment.
"""

import json
import sys
import time
import warnings
from pathlib import Path

warnings.simplefilter("ignore")

TUNED = {"plantcv whole": (1, {"min_size": 150, "radius": 3}), "plantcv half": (2, {"min_size": 60, "radius": 2})}
"""Reduction and options; its defaults (chips of 1000 px and more) miss most charts of a tenth of the width."""


def search(path, reduction, options):
    """Return the centres of the chips that plantcv marks, or None."""
    import cv2
    import numpy as np
    from plantcv import plantcv as pcv

    photo = cv2.imread(path, cv2.IMREAD_COLOR if reduction == 1 else cv2.IMREAD_REDUCED_COLOR_2)
    # Its own refusals are RuntimeErrors; anything else it raises is a crash, counted as nothing found.
    try:
        labels = pcv.transform.detect_color_card(rgb_img=photo, **options)
    except Exception as error:
        return {"centres": None, "error": f"{type(error).__name__}: {error}"[:120]}
    names = [name for name in np.unique(labels) if name]
    centres = [np.argwhere(labels == name).mean(axis=0)[::-1] for name in names]
    return {"centres": [((c + 0.5) * reduction - 0.5).tolist() for c in centres]}


def correct(task):
    """Return each patch corrected by an affine fit of the others, 0-1 encoded."""
    import numpy as np
    from plantcv import plantcv as pcv

    out = []
    for each in task["sets"]:
        encoded, reference = np.array(each["encoded"]), np.clip(np.array(each["reference"]), 0, 1)
        photo = np.round(encoded[None, :, ::-1] * 255).astype(np.uint8)
        number = np.arange(len(encoded))[:, None]
        source, target = np.hstack([number, encoded]), np.hstack([number, reference])
        got = []
        for i in range(len(encoded)):
            keep = number[:, 0] != i
            fixed = pcv.transform.affine_color_correction(
                rgb_img=photo, source_matrix=source[keep], target_matrix=target[keep]
            )
            got.append((fixed[0, i, ::-1] / 255).tolist())
        out.append({"encoded": got})
    return {"plantcv affine": out}


def main():
    """Answer a task."""
    import cv2
    from plantcv import plantcv as pcv

    pcv.params.debug = None
    pcv.params.verbose = False
    task = json.loads(Path(sys.argv[1]).read_text())
    if task["target"] == "patches":
        Path(sys.argv[2]).write_text(json.dumps(correct(task)))
        return
    answers = {name: [] for name in TUNED}
    for path in task["photos"]:
        begin = time.perf_counter()
        cv2.imread(path)
        decoding = time.perf_counter() - begin
        for name, (reduction, options) in TUNED.items():
            begin = time.perf_counter()
            answer = search(path, reduction, options)
            answers[name].append(answer | {"seconds": time.perf_counter() - begin, "decode_seconds": decoding})
    Path(sys.argv[2]).write_text(json.dumps(answers))


if __name__ == "__main__":
    main()
