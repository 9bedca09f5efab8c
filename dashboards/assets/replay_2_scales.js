// Where things lie in the linked plots: times to places, values to heights. No drawing, no page.
(function () {
  "use strict";
  const R = window.jointbook.replay, S = (R.scales = {});
  const LEAST = 44; // pixels of a panel: two labels under its title
  const FOLDED = 24, AXIS = 22;
  const SHARES = { current: 1.6, temperature: 0.8, torque: 0.8, load: 0.8 };
  const EVERY = 190; // pixels between two marks on a line

  S.place = (t, from, to, gutter, plot) => gutter + ((t - from) / (to - from)) * plot;
  S.instant = (x, from, to, gutter, plot) => from + ((x - gutter) / plot) * (to - from);

  // Heights of panels by key, of which some are folded, for so many joints and pixels.
  S.heights = function (keys, folded, joints, room) {
    const share = (key) => SHARES[key] || 1, ribbons = 14 + 11 * joints;
    let parts = 0, fixed = AXIS;
    for (const key of keys) {
      if (folded.has(key)) fixed += FOLDED;
      else if (key === "brakes") fixed += ribbons;
      else parts += share(key);
    }
    const one = Math.max(46, (room - fixed) / Math.max(1, parts));
    return keys.map((key) => {
      if (folded.has(key)) return FOLDED;
      return key === "brakes" ? ribbons : Math.max(LEAST, Math.round(one * share(key)));
    });
  };

  // First index and the one after the last that a window needs: a neighbour on either side is drawn to.
  S.window = (t, from, to) => [Math.max(0, R.bisect(t, from) - 1), Math.min(t.length, R.bisect(t, to) + 1)];
  // Least and greatest of a series in a window; [Infinity, -Infinity] of none.
  S.extent = function (s, from, to) {
    const [first, end] = S.window(s.group.t, from, to);
    let low = Infinity, high = -Infinity;
    for (let i = first; i < end; i += 1) {
      if (s.low[i] < low) low = s.low[i];
      if (s.high[i] > high) high = s.high[i];
    }
    return [low, high];
  };
  // A band may reach a little beyond the line's own scale, no more: where training was thin it is cut off.
  S.cut = function (own, wanted) {
    const reach = 0.15 * Math.max(own[1] - own[0], 0.05);
    return [Math.max(wanted[0], own[0] - reach), Math.min(wanted[1], own[1] + reach)];
  };
  // Two standard errors below and above a series, as two series; error: of the same instants.
  S.doubt = function (s, error) {
    const at = (of, way) => { const v = of.map((x, i) => (s.low[i] <= s.high[i] ? x + way * 2 * error.high[i] : NaN)); return { group: s.group, low: v, high: v }; };
    return error.group === s.group ? [at(s.low, -1), at(s.high, 1)] : null;
  };
  S.padded = function (low, high) {
    const room = Math.max((high - low) * 0.07, 1e-6 + Math.abs(high) * 1e-6);
    return [low - room, high + room];
  };
  // The scale of a joint's change since an instant: a quiet joint keeps to a fifth of the widest.
  S.since = function (low, high, widest) {
    if (high - low < widest / 5) { const more = (widest / 5 - (high - low)) / 2; low -= more; high += more; }
    const room = Math.max((high - low) * 0.08, 1e-4);
    return [low - room, high + room];
  };
  S.upright = (low, high, height) => (v) => height - 2 - ((v - low) / (high - low)) * (height - 4);

  // Lines and labels of a scale: two labels at least, whatever the height. head: pixels its title takes.
  S.labels = function (low, high, height, head) {
    const y = S.upright(low, high, height);
    const labelled = (v) => y(v) > head && y(v) < height - 5;
    const told = (ticks) => { // those labels that do not touch the one below
      let last = Infinity;
      return ticks.filter((v) => { const fits = labelled(v) && last - y(v) > 11; if (fits) last = y(v); return fits; });
    };
    let wanted = Math.max(3, Math.min(6, height / 24)), ticks = R.ticks(low, high, wanted);
    while (told(ticks).length < 2 && wanted < 40) { wanted *= 1.5; ticks = R.ticks(low, high, wanted); }
    const labels = told(ticks);
    return { lines: ticks.length > height / 8 ? labels : ticks, labels, digits: ticks.length > 1 ? R.digits(ticks[1] - ticks[0]) : 2 };
  };

  // Fill xs and ys with the line of a series; NaN breaks it where samples are missing. Returns how many.
  S.line = function (s, from, to, x, y, xs, ys) {
    const t = s.group.t, gap = 4 * s.group.step || Infinity, flat = s.low === s.high;
    const [first, end] = S.window(t, from, to);
    let n = 0, before = t[first];
    for (let i = first; i < end && n < xs.length - 4; i += 1) {
      if (s.low[i] > s.high[i]) continue; // nothing fell into this column
      const at = x(t[i]);
      if (t[i] - before > gap) { xs[n] = at; ys[n] = NaN; n += 1; }
      before = t[i];
      xs[n] = at; ys[n] = y(s.low[i]); n += 1;
      if (!flat) { xs[n] = at; ys[n] = y(s.high[i]); n += 1; }
    }
    return n;
  };
  // Samples that get a joint's mark: each where they lie far apart (all), else one in so many pixels.
  S.marked = function (s, from, to, joint, gutter, plot) {
    const t = s.group.t, first = R.bisect(t, from), end = R.bisect(t, to), at = [];
    if (end <= first) return { all: false, at };
    if (s.group.samples && plot / (end - first) > 7) {
      for (let i = first; i < end; i += 1) if (s.low[i] === s.low[i]) at.push(i);
      return { all: true, at };
    }
    for (let px = 24 + ((joint * 27) % EVERY); px < plot; px += EVERY) {
      const i = R.nearest(t, S.instant(gutter + px, from, to, gutter, plot));
      if (i >= 0 && Math.abs(S.place(t[i], from, to, gutter, plot) - gutter - px) < 4 && s.low[i] <= s.high[i]) at.push(i);
    }
    return { all: false, at };
  };
  // Indices of a window, parted where a value or samples are missing; a single one is no stretch.
  S.stretches = function (s, from, to) {
    const t = s.group.t, [first, end] = S.window(t, from, to), found = [];
    let run = [];
    const flush = () => { if (run.length > 1) found.push(run); run = []; };
    for (let i = first; i < end; i += 1) {
      if (s.low[i] !== s.low[i] || (run.length && t[i] - t[i - 1] > 4 * s.group.step)) flush();
      if (s.low[i] === s.low[i]) run.push(i);
    }
    flush();
    return found;
  };
  // Runs of a state in a window: [start, end, state]. t has one instant more than v has states.
  S.runs = function (runs, from, to) {
    const found = [];
    for (let i = Math.max(0, R.bisect(runs.t, from) - 1); i < runs.v.length && runs.t[i] < to; i += 1) {
      found.push([Math.max(runs.t[i], from), Math.min(runs.t[i + 1], to), runs.v[i]]);
    }
    return found;
  };
})();
