"""Where the replay's scripts put things, run by node: scales, lines, postures, marks, strokes.

Expected values are worked by hand, or by numpy from the same input.
"""

import json
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboards.theme import DARK, joint_colour
from tests.contrast import contrast

ASSETS = Path(__file__).parents[2] / "dashboards" / "assets"
NODE = shutil.which("node") or shutil.which("nodejs")
SCRIPTS = (
    "replay_1_numbers.js",
    "replay_2_renderers.js",
    "replay_2_scales.js",
    "replay_5_posture.js",
)

RUN = """
const fs = require("fs"), vm = require("vm");
const window = { jointbook: { theme: {} } };
const given = vm.createContext({ window });
const run = (name) => vm.runInContext(fs.readFileSync(name, "utf8"), given);
JSON.parse(process.argv[1]).forEach(run);
const R = window.jointbook.replay, S = R.scales, P = R.space;
// a series as the cache holds it: instants, values, and how far apart its samples lie
const series = (t, low, high, more) =>
  ({ group: Object.assign({ t, step: 1, samples: true }, more), low, high: high || low });
const line = (s, from, to) => {
  const xs = new Float64Array(100), ys = new Float64Array(100);
  const n = S.line(s, from, to, (t) => 10 * t, (v) => -v, xs, ys);
  return [...xs.subarray(0, n)].map((x, i) => [x, Number.isNaN(ys[i]) ? null : ys[i]]);
};
const svg = (draw) => {
  const r = new R.SvgRenderer(100, 50, "#fff"); draw(r); return r.parts.slice(1).join("");
};
const plain = (k, v) => {
  if (ArrayBuffer.isView(v)) return [...v];
  return Math.abs(v) === Infinity ? String(v) : v;
};
console.log(JSON.stringify(eval(process.argv[2]), plain));
"""


def said(expression: str) -> Any:
    """Return what an expression on the replay's scripts gives."""
    assert NODE, "node is not installed: apt install nodejs"
    scripts = json.dumps([str(ASSETS / name) for name in SCRIPTS])
    done = subprocess.run(
        [NODE, "-e", RUN, scripts, expression], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@cache
def table(expressions: tuple[str, ...]) -> dict[str, Any]:
    """Return what each of several expressions gives: one start of node for all."""
    return dict(zip(expressions, said("[" + ",".join(expressions) + "]"), strict=True))


GAP = "series([0, 1, 2, 8, 9], [1, 3, 2, 5, 4])"
"""Five samples a second apart, with six seconds missing."""


SCALES = [
        # times and places undo each other: 100 s on 400 px from px 96
        ("S.place(25, 0, 100, 96, 400)", 196),
        ("S.instant(196, 0, 100, 96, 400)", 25),
        ("S.place(-10, 0, 100, 96, 400)", 56),
        # two plots and the current on 522 px less 22 for the axis: 500 / 3.6 = 138.9 a part
        ("S.heights(['angle', 'rate', 'current'], new Set(), 1, 522)", [139, 139, 222]),
        # less 24 folded, 36 of two ribbons: 440 / 1.8 = 244.4 a part, 0.8 of it for the load
        ("S.heights(['angle', 'rate', 'brakes', 'load'], new Set(['rate']), 2, 522)",
         [244, 24, 36, 196]),
        # no room is left: 46 px a part, 44 at least
        ("S.heights(['angle', 'load'], new Set(), 1, 30)", [46, 44]),
        # a window reaches to the neighbour on either side, and not beyond the samples
        ("S.window([0, 1, 2, 3, 4], 1.5, 2.5)", [1, 4]),
        ("S.window([0, 1, 2], -5, 50)", [0, 3]),
        (f"S.extent({GAP}, 1, 2.5)", [1, 5]),
        (f"S.extent({GAP}, 0, 0.5)", [1, 3]),
        ("S.extent(series([0, 1], [NaN, NaN]), 0, 1)", ["Infinity", "-Infinity"]),
        ("S.extent(series([0, 1, 2], [4, 1, 3], [7, 9, 8]), 0, 2)", [1, 9]),
        # a band from -9 to 9 about a line from 0 to 2 reaches 0.15 of it further
        ("S.cut([0, 2], [-9, 9])", [-0.3, 2.3]),
        ("S.cut([0, 2], [-0.1, 9])", [-0.1, 2.3]),
        ("S.cut([1, 1], [0, 9])", [0.9925, 1.0075]),
        ("S.padded(0, 100)", [-7, 107]),
        # the highest value stands 2 px under the top, the lowest 2 px over the bottom
        ("[0, 5, 10].map(S.upright(0, 10, 104))", [102, 52, 2]),
        # a quiet joint, 1 deg where the front joint has 40: on a scale of 8, with its room
        ("S.since(0, 1, 40)", [-3.5 - 0.64, 4.5 + 0.64]),
        ("S.since(-10, 40, 40)", [-14, 44]),
        ("S.since(0, 0, 0)", [-0.0001, 0.0001]),
]  # fmt: skip


@pytest.mark.parametrize(("expression", "value"), SCALES)
def test_scales(expression, value):
    found = table(tuple(e for e, _ in SCALES))[expression]
    if isinstance(value, list) and not any(isinstance(v, str) for v in value):
        assert found == pytest.approx(value, abs=1e-12)
    else:
        assert found == value


@pytest.mark.parametrize(("low", "high"), [(0.0, 10.0), (-0.3, 0.42), (99.93, 99.98), (-2e4, 3e5)])
def test_a_scale_has_two_labels_apart_at_any_height(low, high):
    found = said(
        f"[44, 60, 104, 240].map((h) => Object.assign(S.labels({low}, {high}, h, 16),"
        f" {{ h, at: S.labels({low}, {high}, h, 16).labels.map(S.upright({low}, {high}, h)) }}))"
    )
    for scale in found:
        at = np.array(scale["at"])
        assert len(at) >= 2
        assert (np.diff(at) < -11).all(), "each label above the one before, and not touching it"
        assert (at > 16).all()
        assert (at < scale["h"] - 5).all()
        assert set(scale["labels"]) <= set(scale["lines"])
        written = [f"{v:.{scale['digits']}f}" for v in scale["labels"]]
        assert len(set(written)) == len(written), "no two labels read the same"


DRAWN = [
        # broken between 2 s and 8 s, for six steps are missing; the neighbour is drawn to
        (f"line({GAP}, 1, 9)", [[0, -1], [10, -3], [20, -2], [80, None], [80, -5], [90, -4]]),
        (f"line({GAP}, 0, 1.5)", [[0, -1], [10, -3], [20, -2]]),
        # columns are drawn from least to greatest; one in which nothing fell is left out
        ("line(series([0, 1, 2], [1, Infinity, 3], [2, -Infinity, 5], { samples: false }), 0, 2)",
         [[0, -1], [0, -2], [20, -3], [20, -5]]),
        # samples 10 px apart are marked each; those without a value are not
        ("S.marked(series([0, 1, 2, 3], [5, NaN, 6, 7]), 0, 4, 0, 96, 40)",
         {"all": True, "at": [0, 2, 3]}),
        # 1,000 samples on 500 px: a mark at px 24, 214 and 404, which are 48, 428 and 808 s
        ("S.marked(series([...Array(1000).keys()], new Float64Array(1000)), 0, 1000, 0, 96, 500)",
         {"all": False, "at": [48, 428, 808]}),
        # the next joint's marks lie 27 px on
        ("S.marked(series([...Array(1000).keys()], new Float64Array(1000)), 0, 1000, 1, 96, 500)",
         {"all": False, "at": [102, 482, 862]}),
        ("S.marked(series([0, 1], [5, 6]), 5, 6, 0, 96, 40)", {"all": False, "at": []}),
        # a band is parted by a missing value and by missing time; a single sample is no stretch
        ("S.stretches(series([0, 1, 2, 3, 4, 20, 21], [1, 1, NaN, 1, 1, 1, 1]), 0, 21)",
         [[0, 1], [3, 4], [5, 6]]),
        ("S.stretches(series([0, 1, 2], [1, NaN, 1]), 0, 2)", []),
        # a brake's runs are cut to the window
        ("S.runs({ t: [0, 10, 30, 60], v: [1, 0, 1] }, 5, 40)",
         [[5, 10, 1], [10, 30, 0], [30, 40, 1]]),
        ("S.runs({ t: [0, 10, 30, 60], v: [1, 0, 1] }, 10, 30)", [[10, 10, 1], [10, 30, 0]]),
]  # fmt: skip


@pytest.mark.parametrize(("expression", "value"), DRAWN)
def test_what_of_a_series_is_drawn(expression, value):
    assert table(tuple(e for e, _ in DRAWN))[expression] == value


def points_of_an_arm(seed: int) -> list[list[list[float]]]:
    """Return three points of an arm over 20 samples, metres: base, elbow, tip."""
    rng = np.random.default_rng(seed)
    return np.round(rng.normal(0, 2, (3, 3, 20)), 4).tolist()


def test_the_posture_fits_its_picture():
    points = points_of_an_arm(4)
    found = said(f"P.extent({json.dumps(points)})")
    flat = np.array(points).transpose(0, 2, 1).reshape(-1, 3)
    centre = (flat.min(axis=0) + flat.max(axis=0)) / 2
    assert found["centre"] == pytest.approx(centre)
    assert found["reach"] == pytest.approx(np.linalg.norm(flat - centre, axis=1).max())


def test_an_arm_that_hardly_moves_is_drawn_at_half_a_metre():
    assert said("P.extent([[[1, 1], [2, 2], [3, 3.2]]])") == {
        "centre": [1, 2, pytest.approx(3.1)], "reach": 0.5,
    }  # fmt: skip


def test_a_tips_speed_is_its_path_over_its_time():
    tip = points_of_an_arm(5)[2]
    t = np.cumsum(np.linspace(0.1, 0.5, 20))
    found = said(f"P.speeds({t.tolist()}, {tip})")
    speed = np.r_[0, np.linalg.norm(np.diff(np.array(tip)), axis=0) / np.diff(t)]
    assert found["fastest"] == pytest.approx(speed.max())
    assert found["classes"] == np.minimum(5, np.floor(6 * speed / speed.max())).tolist()
    assert max(found["classes"]) == 5


def test_a_tip_that_stands_has_no_speed():
    found = said("P.speeds([0, 1, 2], [[4, 4, 4], [0, 0, 0], [1, 1, 1]])")
    assert found == {"fastest": 0, "classes": [0, 0, 0]}


def test_a_point_between_samples_lies_on_the_line():
    at = [-1.0, 0.0, 0.25, 1.0, 2.5, 9.0]
    t, point = [0.0, 1.0, 4.0], [[0.0, 2.0, 8.0], [1.0, 1.0, 4.0], [0.0, -1.0, 5.0]]
    found = said(f"{at}.map((at) => P.along({t}, {point}, at))")
    assert pytest.approx(np.array([np.interp(at, t, v) for v in point])) == np.array(found).T


def test_faded_points_stand_out_in_dark():
    share = int(said("R.FADED"), 16) / 255
    joints = [joint_colour(n, dark=True) for n in range(7)]
    found = {c: contrast(c, share, DARK["sheet"]) for c in joints}
    assert {c: round(v, 2) for c, v in found.items() if v < 3.0} == {}
    assert 0 < share < 0.8  # and are still faded


def put(wanted: list[dict[str, Any]], taken: list[list[float]]) -> dict[str, tuple[float, float]]:
    placed = said(f"P.labels({json.dumps(wanted)}, {json.dumps(taken)}, 200, 100)")
    return {one["words"]: (one["x"], one["y"]) for one in placed}


def label(words: str, x: float, y: float, at: list[list[Any]]) -> dict[str, Any]:
    return {"words": words, "x": x, "y": y, "size": 10, "at": at}


def test_words_of_a_posture_make_way_for_one_another_and_for_marks():
    two = [[4, 0, "left"], [0, -12, "center"]]
    # alone, each stands at its first place
    assert put([label("x", 50, 50, two)], []) == {"x": (54, 50)}
    # the second makes way for the first, and for a mark on its first place
    both = [label("x", 50, 50, two), label("y", 52, 50, two)]
    assert put(both, []) == {"x": (54, 50), "y": (52, 38)}
    assert put([label("x", 50, 50, two)], [[50, 45, 60, 55]]) == {"x": (50, 38)}
    # with both places taken, or out of the picture, the lesser is left out
    three = [*both, label("z", 51, 50, two)]
    assert put(three, []) == {"x": (54, 50), "y": (52, 38)}
    assert put([label("z", 199, 2, two)], []) == {}
    # a word's width counts: "base A" is 6 letters of 6.2, centred
    base = label("base A", 100, 50, [[0, 0, "center"]])
    assert put([base], [[70, 40, 81, 60]]) == {"base A": (100, 50)}
    assert put([base], [[70, 40, 82, 60]]) == {}


def test_a_posture_of_one_sample_stays():
    assert said("P.along([3], [[1], [2], [4]], 9)") == [1, 2, 4]


def test_the_view_is_two_turns_and_no_perspective():
    """Turned about z, then about the picture's own level axis: matrices multiplied by numpy."""
    rng = np.random.default_rng(6)
    for turn, tilt in ((0.0, 0.0), (-0.7, 0.5), (2.0, -1.5)):
        p, centre, reach = rng.normal(0, 3, 3), rng.normal(0, 1, 3), 4.0
        eye = {"centre": centre.tolist(), "reach": reach, "turn": turn, "tilt": tilt}
        found = said(f"P.project({p.tolist()}, {json.dumps(eye)}, 400, 300)")
        c, s = np.cos(turn), np.sin(turn)
        about_z = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        c, s = np.cos(-tilt), np.sin(-tilt)
        about_level = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
        right, _, up = about_level @ about_z @ (p - centre)
        scale = (150 - 12) / reach
        assert found == pytest.approx([200 + right * scale, 150 - up * scale])


def test_the_floor_lies_under_the_arm_in_whole_squares():
    assert said("P.floor([0.2, -3.1, 9], 3)") == {"step": 1, "ends": [[-3, 3], [-6, 0]]}
    assert said("P.floor([0, 0, 0], 5)") == {"step": 2, "ends": [[-4, 6], [-4, 6]]}
    small = said("P.floor([0, 0, 0], 0.3)")
    assert small["step"] == pytest.approx(0.1)
    assert np.ravel(small["ends"]) == pytest.approx([-0.3, 0.3, -0.3, 0.3])


def test_a_class_of_speed_has_its_own_colour():
    assert said('[0, 0.5, 1].map((s) => P.blend("#102030", "#20a0f0", s))') == [
        "rgb(16,32,48)", "rgb(24,96,144)", "rgb(32,160,240)",
    ]  # fmt: skip


AREAS = {"square": 4.0, "triangle": 2.31, "diamond": 3.38, "wedge": 2.31, "cross": 2.73}
"""Of marks of radius 1, by hand: side 2; 2.2 × 2.1 / 2; 2.6² / 2; two bars 0.7 × 2.3 less 0.7²."""


def test_marks_are_alike_in_size_and_lie_about_their_sample():
    shapes = said(f"{list(AREAS)}.map((kind) => R.shape(kind, 10, 20, 1))")
    for points, area in zip(shapes, AREAS.values(), strict=True):
        x, y = np.array(points).T
        assert 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(area)
        assert (x.min() + x.max()) / 2 == pytest.approx(10)
        assert y.min() < 20 < y.max()
    assert said("['circle', 'ring'].map((k) => R.shape(k, 0, 0, 1))") == [None, None]


STROKES = [
    ("1, 1, 500, false, 1", 1, 0, False),
    ("1.9, 0.8, 500, false, 1", 1, 0.45, True),  # three lines of a pixel, 1.9 px in all
    ("1.9, 0.8, 60, false, 1", 1.9, 0, False),  # few points cost nothing
    ("1.9, 0.8, 500, true, 1", 1.9, 0, False),  # dashes of three would not meet
    ("1.9, 0.8, 500, false, 2", 1.9, 0, False),  # 3.8 device pixels
    ("1.1, 0.8, 500, false, 2", 0.5, 0.3, True),  # 2.2 device pixels, each of three half a px
]  # fmt: skip
"""Width, opacity, points, dashed, ratio: how wide each is drawn, how far apart, of three or one."""


@pytest.mark.parametrize(("call", "width", "reach", "three"), STROKES)
def test_a_line_is_drawn_as_wide_as_asked(call, width, reach, three):
    found = table(tuple(f"R.stroke({c})" for c, *_ in STROKES))[f"R.stroke({call})"]
    assert (found["width"], found["three"]) == (width, three)
    assert found["reach"] == pytest.approx(reach)
    if three:
        assert found["width"] + 2 * found["reach"] == pytest.approx(float(call.split(",")[0]))
        # between one and three of them lie over a point: 5/3 of them let as much through as one
        assert (1 - found["alpha"]) ** (5 / 3) == pytest.approx(1 - 0.8)


def test_a_kept_picture_breaks_the_line_and_writes_two_decimals():
    drawn = said(
        "svg((r) => r.path([1.004, 2.006, 3, 4, 5], [1, 2, NaN, 4, 5.5555], 5, 'red', 2, 1))"
    )
    assert ' d="M1 1L2.01 2M4 4L5 5.56" ' in drawn
    assert said("svg((r) => r.path([1], [NaN], 1, 'red', 2, 1))") == ""


def test_flags_over_one_another_are_shaded_once_and_the_one_asked_for_once_more():
    flags = [
        {"flag": f, "start": a, "end": b}
        for f, a, b in (("x", 1, 4), ("y", 2, 3), ("z", 3, 6), ("w", 8, 9))
    ]
    assert said(f"R.shades({json.dumps(flags)}, null)") == [[1, 6], [8, 9]]
    assert said(f"R.shades({json.dumps(flags)}, 'y')") == [[1, 6], [8, 9], [2, 3]]
    assert said(f"R.shades({json.dumps(flags)}, 'w')") == [[1, 6], [8, 9]]  # alone as it is


def test_a_kept_picture_obeys_no_words():
    drawn = said("svg((r) => r.text('<b>&\"\\'', 1, 2, 'red'))")
    assert ">&#60;b&#62;&#38;&#34;&#39;</text>" in drawn
