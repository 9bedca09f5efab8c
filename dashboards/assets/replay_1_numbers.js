// Numbers, instants and bytes for the replay. No drawing, no page.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});
  const R = (jb.replay = jb.replay || {});

  // First index whose value is >= x, in a rising array.
  R.bisect = function (array, x) {
    let low = 0, high = array.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (array[middle] < x) low = middle + 1;
      else high = middle;
    }
    return low;
  };
  // Index of the sample nearest to t; -1 for none.
  R.nearest = function (array, t) {
    const i = R.bisect(array, t);
    if (i === 0) return array.length ? 0 : -1;
    return i === array.length || t - array[i - 1] <= array[i] - t ? i - 1 : i;
  };

  R.ticks = function (low, high, wanted) {
    const rough = (high - low) / Math.max(1, wanted);
    if (!(rough > 0)) return [];
    const power = Math.pow(10, Math.floor(Math.log10(rough)));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.7);
    const ticks = [];
    for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-9; v += step) {
      ticks.push(Math.abs(v) < step * 1e-9 ? 0 : v);
    }
    return ticks;
  };
  R.digits = function (step) {
    return Math.max(0, Math.min(9, -Math.floor(Math.log10(step) + 1e-9)));
  };
  R.number = function (value, digits) {
    if (value === null || value === undefined || Number.isNaN(value)) return "–";
    const text = value.toFixed(digits);
    return /^-0(\.0*)?$/.test(text) ? text.slice(1) : text.replace("-", "−");
  };

  // A figure beside its standard error: within two of them it is told as no more than that.
  R.beyondNoise = (value, error, digits) => (Math.abs(value) <= 2 * error ? "± " + R.number(2 * error, digits) : R.number(value, digits));

  const TIME_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];
  R.timeTicks = function (from, to, zeroMs, wanted) {
    const rough = (to - from) / Math.max(1, wanted);
    let step;
    if (rough < 1) step = R.ticks(0, rough, 1).pop() || rough;
    else step = TIME_STEPS.find((s) => s >= rough) || Math.ceil(rough / 86400) * 86400;
    if (rough < 1) {
      const power = Math.pow(10, Math.floor(Math.log10(rough)));
      step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.999);
    }
    const offset = step >= 1 ? (zeroMs / 1000) % step : (zeroMs % 1000) / 1000;
    const ticks = [];
    for (let k = Math.ceil((from + offset) / step - 1e-9); ; k += 1) {
      const t = k * step - offset;
      if (t > to) break;
      ticks.push(t);
    }
    return { ticks, step };
  };

  // A brake in words: what is known of it, and what it is told where that differs. 1 engaged,
  // 0 released, -1 logged but not said here, null not logged.
  R.brakeWords = function (state, told) {
    const word = (s) => ({ 1: "engaged", 0: "released" })[s] || "not said";
    const differs = told !== null && told >= 0 && told !== state ? "told " + word(told) : "";
    return state === null ? (told === null ? "" : differs || word(told)) : [word(state), differs].filter(Boolean).join(", ");
  };
  // Whether a joint stands under its brake; the command counts where the state is not said.
  R.isBraked = (state, told) => (state === null || state < 0 ? told === 1 : state === 1);
  // Nanoseconds since 1970 of t seconds after the session's start, rounded to so many decimals of a second.
  R.rounded = function (t, zero, decimals) {
    const step = 10n ** BigInt(9 - (decimals || 0));
    return ((zero + BigInt(Math.round(t * 1e9)) + step / 2n) / step) * step;
  };
  // An instant of the session, t seconds after its start, as UTC clock time.
  R.clock = function (t, zero, decimals) {
    const ns = R.rounded(t, zero, decimals), whole = ns / 1000000000n;
    const text = new Date(Number(whole) * 1000).toISOString().slice(11, 19);
    if (!decimals) return text;
    return text + "." + (ns % 1000000000n).toString().padStart(9, "0").slice(0, decimals);
  };
  R.day = function (t, zero, decimals) {
    return new Date(Number(R.rounded(t, zero, decimals === undefined ? 9 : decimals) / 1000000n)).toISOString().slice(0, 10);
  };
  R.iso = function (t, zero) {
    const part = R.clock(t, zero, 9).replace(/\.?0+$/, (zeros) => (zeros.startsWith(".") ? "" : zeros));
    const tidy = part.includes(".") ? part.replace(/0+$/, "").replace(/\.$/, "") : part;
    return R.day(t, zero) + "T" + tidy + "Z";
  };
  R.parseIso = function (text, zero) {
    const found = /^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?Z$/.exec(text || "");
    if (!found) return null;
    const ns = BigInt(Date.parse(found[1] + "Z")) * 1000000n + BigInt((found[2] || "").padEnd(9, "0"));
    return Number(ns - zero) / 1e9;
  };
  R.span = function (seconds) {
    const s = Math.abs(seconds);
    if (s < 0.001) return (s * 1e6).toFixed(0) + " µs";
    if (s < 1) return (s * 1000).toFixed(s < 0.1 ? 1 : 0) + " ms";
    if (s < 120) return s.toFixed(s < 10 ? 2 : 1) + " s";
    if (s < 7200) return (s / 60).toFixed(1) + " min";
    return (s / 3600).toFixed(2) + " h";
  };

  // Where flags are shaded: their union once, however many lie there, and the flag asked for once
  // more where it does not have its stretch to itself.
  R.shades = function (flags, asked) {
    const union = [];
    for (const f of [...flags].sort((a, b) => a.start - b.start)) {
      const last = union[union.length - 1];
      if (last && f.start <= last[1]) last[1] = Math.max(last[1], f.end);
      else union.push([f.start, f.end]);
    }
    const own = flags.find((f) => f.flag === asked);
    const shared = own && flags.some((f) => f !== own && f.start <= own.end && f.end >= own.start);
    return shared ? [...union, [own.start, own.end]] : union;
  };

  // Bytes of figures/packing.py: groups of series that share their instants.
  R.unpack = function (buffer) {
    const length = new DataView(buffer).getUint32(0, true);
    const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
    const base = 4 + length;
    header.groups = header.groups.map(function (g) {
      const series = {};
      for (const [name, at] of Object.entries(g.series)) {
        const low = new Float32Array(buffer, base + at[0], g.n);
        series[name] = { low, high: at.length > 1 ? new Float32Array(buffer, base + at[1], g.n) : low };
      }
      return { t: new Float64Array(buffer, base + g.t, g.n), samples: g.samples, step: g.step, series };
    });
    return header;
  };
})();
