"""The arithmetic of the replay's scripts, run by node; and what scripts may put where."""

import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from dashboards.figures.packing import Group, pack

ASSETS = Path(__file__).parents[2] / "dashboards" / "assets"
NODE = shutil.which("node") or shutil.which("nodejs")

RUN = """
const fs = require("fs"), vm = require("vm");
const window = {};
vm.runInNewContext(fs.readFileSync(process.argv[1], "utf8"),
  { window, BigInt, Date, Math, Number, DataView, TextDecoder, Uint8Array, Float32Array,
    Float64Array, JSON, Object });
const R = window.jointbook.replay;
const big = (k, v) => (typeof v === "bigint" ? Number(v) : v);
console.log(JSON.stringify(eval(process.argv[2]), big));
"""


def numbers(expression: str) -> object:
    """Return what an expression on the replay's number functions gives."""
    assert NODE, "node is not installed: apt install nodejs"
    script = ASSETS / "replay_1_numbers.js"
    done = subprocess.run(
        [NODE, "-e", RUN, str(script), expression], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


ZERO = "1740787200000000000n"  # 2025-03-01T00:00:00Z


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("R.bisect([1, 3, 5], 3)", 1),
        ("R.bisect([], 3)", 0),
        ("R.nearest([0, 1, 2], 1.4)", 1),
        ("R.nearest([0, 1, 2], 9)", 2),
        ("R.nearest([], 1)", -1),
        ("R.ticks(-1, 1, 4)", [-1, -0.5, 0, 0.5, 1]),
        ("R.ticks(3, 3, 4)", []),
        ("R.digits(0.05)", 2),
        ("R.number(-0.001, 1)", "0.0"),
        ("R.number(-2.25, 1)", "−2.3"),
        ("R.number(NaN, 1)", "–"),
        ("R.beyondNoise(-17.6, 17.5, 1)", "± 35.0"),
        ("R.beyondNoise(-35.2, 17.5, 1)", "−35.2"),
        ("R.beyondNoise(-17.6, NaN, 1)", "−17.6"),
        ("R.timeTicks(0, 100, 0, 10).step", 10),
        ("R.timeTicks(0.5, 0.9, 0, 4).step", 0.1),
        (f"R.clock(0.25, {ZERO}, 3)", "00:00:00.250"),
        (f"R.clock(45.267, {ZERO}, 1)", "00:00:45.3"),
        (f"R.clock(59.9996, {ZERO}, 3)", "00:01:00.000"),
        (f"R.clock(-0.0001, {ZERO}, 3)", "00:00:00.000"),
        (f"R.day(-0.0001, {ZERO}, 3)", "2025-03-01"),
        (f"R.day(-0.0001, {ZERO})", "2025-02-28"),
        ("R.brakeWords(1, 1)", "engaged"),
        ("R.brakeWords(0, 1)", "released, told engaged"),
        ("R.brakeWords(null, 0)", "told released"),
        ("R.brakeWords(-1, null)", "not said"),
        ("R.brakeWords(null, null)", ""),
        ("[R.isBraked(0, 1), R.isBraked(-1, 1), R.isBraked(1, 0)]", [False, True, True]),
        (f"R.iso(10.5, {ZERO})", "2025-03-01T00:00:10.5Z"),
        (f"R.iso(60, {ZERO})", "2025-03-01T00:01:00Z"),
        (f"R.parseIso('2025-03-01T00:00:00.000000250Z', {ZERO})", 2.5e-7),
        (f"R.parseIso('yesterday', {ZERO})", None),
        ("R.span(0.0004)", "400 µs"),
        ("R.span(-90)", "90.0 s"),
        ("R.span(7200)", "2.00 h"),
    ],
)
def test_numbers_and_instants(expression, value):
    assert numbers(expression) == value


def test_every_tick_lies_on_a_whole_multiple_of_its_step():
    for low, high in ((0.0, 7.3), (-0.013, 0.011), (1e4, 1.3e4)):
        ticks = np.array(numbers(f"R.ticks({low}, {high}, 5)"))
        steps = np.diff(ticks)
        assert len(ticks) >= 2
        assert steps == pytest.approx(steps[0])
        assert ticks / steps[0] == pytest.approx(np.round(ticks / steps[0]), abs=1e-6)


def test_what_the_server_packs_the_browser_unpacks():
    t = np.array([0.0, 0.5, 1.0])
    low, high = np.float32([1, 2, 3]), np.float32([1.5, 2.5, 3.5])
    packed = pack([Group(t, {"a": (low, high), "b": (low, low)}, True, 0.5)], share=0.25)
    found = numbers(
        "(() => { const g = R.unpack(new Uint8Array(" + json.dumps(list(packed)) + ").buffer);"
        "const s = g.groups[0]; return [g.share, [...s.t], [...s.series.a.high],"
        " [...s.series.b.low], s.series.b.high === s.series.b.low]; })()"
    )
    assert found == [0.25, t.tolist(), high.tolist(), low.tolist(), True]


SCRIPTS = sorted(ASSETS.glob("*.js"))
OTHERS_NAMES = {"dash_clientside", "dash_ag_grid", "dashAgGridComponentFunctions"}
OTHERS_NAMES |= {"dashAgGridFunctions"}
"""Names that the libraries ask their users to fill."""

WRAPPED = {"00_gate.js": {"fetch"}, "00_plots.js": {"Plotly"}}
"""A refused write is told where its answer comes in: callbacks are sent by Dash, through fetch.
Plots wait for what stands under their program's name."""


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda p: p.name)
def test_a_script_reads_well_and_keeps_to_its_own_object(script):
    assert NODE, "node is not installed: apt install nodejs"
    checked = subprocess.run([NODE, "--check", script], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    text = script.read_text(encoding="utf-8")
    code = re.sub(r"^\s*//.*$", "", text, flags=re.MULTILINE).strip()
    assert code.startswith("(function () {"), "a script is one function of its own"
    assert code.endswith("})();")
    assert '"use strict";' in code[:80]
    put = set(re.findall(r"\bwindow\.(\w+)\s*=(?!=)", code))
    assert put <= {"jointbook"} | OTHERS_NAMES | WRAPPED.get(script.name, set())


RUN_VIEW = """
const fs = require("fs"), vm = require("vm");
const window = { jointbook: { replay: {}, keys: { add() {} } }, addEventListener() {} };
const document = { addEventListener() {}, getElementById() { return null; } };
class MutationObserver { observe() {} }
const given = vm.createContext({ window, document, MutationObserver });
const scripts = JSON.parse(process.argv[1]).map((name) => fs.readFileSync(name, "utf8"));
scripts.forEach((script) => vm.runInContext(script, given));
const R = window.jointbook.replay;
const joint = (name) => ({ name, has: [] });
function view(words) {
  const nothing = { from: null, to: null, at: null, mark: null, flag: null, joints: [], front: "" };
  const config = { length: 100, joints: ["J1", "J2"].map(joint),
    flags: [{ flag: "F1", joint: "J2" }], view: Object.assign(nothing, words) };
  const v = new R.View(config, () => {});
  return [v.from, v.to, v.at, v.front, [...v.shown].sort()];
}
console.log(JSON.stringify(eval(process.argv[2])));
"""


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("view({})", [0, 100, 0, "J1", ["J1", "J2"]]),
        ("view({ from: 20, to: 40 })", [20, 40, 20, "J1", ["J1", "J2"]]),
        ("view({ from: -5, to: 400, at: 500 })", [0, 100, 100, "J1", ["J1", "J2"]]),
        ("view({ from: 60, to: 60 })", [0, 100, 0, "J1", ["J1", "J2"]]),
        ("view({ from: 80, to: 30, at: 70 })", [0, 100, 70, "J1", ["J1", "J2"]]),
        ("view({ joints: ['J2', 'J9'] })", [0, 100, 0, "J2", ["J2"]]),
        ("view({ joints: ['J1'], flag: 'F1' })", [0, 100, 0, "J2", ["J1", "J2"]]),
        ("new R.Layer([], 10, 20).covers(10, 20)", True),
        ("new R.Layer([], 10, 20).covers(9.9, 20)", False),
        ("new R.Layer([], 10, 20).covers(12, 20.1)", False),
    ],
)
def test_what_is_looked_at_lies_in_the_session(expression, value):
    assert NODE, "node is not installed: apt install nodejs"
    names = ("replay_1_numbers.js", "replay_3_data_cache.js", "replay_6_player.js")
    scripts = json.dumps([str(ASSETS / name) for name in names])
    done = subprocess.run(
        [NODE, "-e", RUN_VIEW, scripts, expression], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == value
