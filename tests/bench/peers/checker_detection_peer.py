"""Search photos with colour-checker-detection: `checker_detection_peer.py TASK.json ANSWERS.json`.

In: `{"target": "chart", "photos": [path...]}`. Out: `{method: [answer...]}`. Runs in the library's own environment.
"""

import json
import sys
import time
import warnings
from pathlib import Path

warnings.simplefilter("ignore")

WORKING = {"checker-detection": 1440, "checker-detection large": 2880}
"""Width it works at: its default, and twice that for small charts."""


def search(photo, working):
    """Return the centres of the swatches it finds, or None; `photo` is encoded RGB, 0-1."""
    import colour_checker_detection as library
    import cv2
    import numpy as np

    options = {"working_width": working, "working_height": working * 2 // 3}
    try:
        found = library.detect_colour_checkers_segmentation(photo, additional_data=True, **options)
    except Exception as error:
        return {"centres": None, "error": f"{type(error).__name__}: {error}"[:120]}
    if not found:
        return {"centres": None}
    first = found[0]
    quad = np.array(first.quadrilateral, np.float32)
    # Its swatches lie on an even grid of the quadrilateral's rectangle.
    grid = np.array([[[(c + 0.5) / 6, (r + 0.5) / 4] for r in range(4) for c in range(6)]], np.float32)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    best = None
    # The long side is six patches, whichever corner the quadrilateral starts from.
    for turn in range(2):
        turned = np.roll(quad, turn, axis=0)
        sides = np.linalg.norm(np.roll(turned, -1, axis=0) - turned, axis=1)
        score = (sides[0] + sides[2]) / (sides[1] + sides[3])
        if best is None or score > best[0]:
            best = score, turned
    centres = cv2.perspectiveTransform(grid, cv2.getPerspectiveTransform(unit, best[1]))[0]
    scale = photo.shape[1] / working
    return {"centres": ((centres + 0.5) * scale - 0.5).tolist()}


def main():
    """Answer a task."""
    import cv2
    import numpy as np

    task = json.loads(Path(sys.argv[1]).read_text())
    answers = {name: [] for name in WORKING}
    for path in task["photos"]:
        begin = time.perf_counter()
        cv2.imread(path)
        decoding = time.perf_counter() - begin
        for name, working in WORKING.items():
            begin = time.perf_counter()
            photo = cv2.imread(path)[..., ::-1].astype(np.float32) / 255
            answer = search(photo, working)
            answers[name].append(answer | {"seconds": time.perf_counter() - begin, "decode_seconds": decoding})
    Path(sys.argv[2]).write_text(json.dumps(answers))


if __name__ == "__main__":
    main()
