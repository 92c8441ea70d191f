"""Search photos with OpenCV's own finders: `opencv_peer.py TASK.json ANSWERS.json`.

In: a task `{"target": "card" | "chart", "photos": [path...], "design": path}`. Out: `{method: [answer...]}` with, for
each photo, `corners` (card, printed order) or `centres` (chart, any order), null where nothing was found, and the
times of decoding and of decoding and searching [s]. Runs in whatever environment holds cv2; knows
nothing of Turnblue but the card's printed design.
"""

import json
import sys
import time
from pathlib import Path

import cv2
import numpy as np

ARUCO = {
    "aruco whole": (1, None),
    "aruco whole .01": (1, 0.01),
    "aruco half .01": (2, 0.01),
}
MCC = {"mcc whole": 1, "mcc half": 2, "mcc quarter": 4}


def _detector(rate):
    parameters = cv2.aruco.DetectorParameters()
    if rate is not None:
        parameters.minMarkerPerimeterRate = rate
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)


def marks_of(picture, rate, ids):
    """Return the marks with these ids: id -> corners; of two alike the larger."""
    corners, found, _ = _detector(rate).detectMarkers(picture)
    out = {}
    for quad, name in zip(corners, () if found is None else np.ravel(found), strict=False):
        quad = quad.reshape(4, 2).astype(np.float64)
        if int(name) in ids and (int(name) not in out or np.ptp(quad) > np.ptp(out[int(name)])):
            out[int(name)] = quad
    return out


def card_answer(picture, reduction, rate, design):
    """Return the card's corners from the marks read, and the marks themselves; one mark alone gives four points."""
    marks = {m["id"]: np.array(m["corners_mm"], float) for m in design["markers"]}
    found = marks_of(picture, rate, marks)
    if not found:
        return {"corners": None}
    source = np.concatenate([marks[name] for name in found])
    target = np.concatenate([(found[name] + 0.5) * reduction - 0.5 for name in found])
    # Four points of one small mark, or many with one astray: RANSAC where there are enough.
    homography, _ = cv2.findHomography(source, target, cv2.RANSAC if len(found) > 1 else 0, 5.0)
    if homography is None:
        return {"corners": None, "marks": len(found), "from_mm": source.tolist(), "to_px": target.tolist()}
    w, h = design["width_mm"], design["height_mm"]
    corners = cv2.perspectiveTransform(np.array([[[0, 0], [w, 0], [w, h], [0, h]]], float), homography)[0]
    marked = {"marks": len(found), "from_mm": source.tolist(), "to_px": target.tolist()}
    return {"corners": corners.tolist(), **marked}


def chart_answer(picture, reduction):
    """Return the patch centres of the best chart that cv2.mcc finds."""
    detector = cv2.mcc.CCheckerDetector_create()
    # It says that it looks for this chart, but until told so (OpenCV 5.0) it misses nearly all.
    detector.setColorChartType(cv2.mcc.MCC24)
    try:
        if not detector.process(picture, 1):
            return {"centres": None}
        checker = detector.getBestColorChecker()
        quads = np.array(checker.getColorCharts(), float).reshape(-1, 4, 2)
    except cv2.error as error:
        return {"centres": None, "error": str(error)[:200]}
    return {"centres": ((quads.mean(axis=1) + 0.5) * reduction - 0.5).tolist()}


def read(path, reduction):
    """Return a photo, whole or as libjpeg reduces it."""
    flags = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}
    return cv2.imread(path, flags[reduction])


def main():
    """Search all photos by all methods."""
    task = json.loads(Path(sys.argv[1]).read_text())
    design = json.loads(Path(task["design"]).read_text()) if task["target"] == "card" else None
    methods = ARUCO if task["target"] == "card" else MCC
    answers = {name: [] for name in methods}
    for path in task["photos"]:
        begin = time.perf_counter()
        cv2.imread(path)
        decoding = time.perf_counter() - begin
        for name in methods:
            begin = time.perf_counter()
            if task["target"] == "card":
                reduction, rate = ARUCO[name]
                answer = card_answer(read(path, reduction), reduction, rate, design)
            else:
                answer = chart_answer(read(path, MCC[name]), MCC[name])
            answer["seconds"] = time.perf_counter() - begin
            answer["decode_seconds"] = decoding
            answers[name].append(answer)
    Path(sys.argv[2]).write_text(json.dumps(answers))


if __name__ == "__main__":
    main()
