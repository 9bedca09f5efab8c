// The session's data in the browser: what the window needs, and no more.
//
// Three layers: the whole session, drawn while finer data come; the visible
// window with half a window on both sides; every sample around the cursor.
(function () {
  "use strict";
  const R = window.jointbook.replay;

  class Layer {
    constructor(groups, from, to) {
      this.from = from; this.to = to; this.names = new Map(); this.groups = groups;
      for (const group of groups) {
        for (const [name, s] of Object.entries(group.series)) this.names.set(name, { group, low: s.low, high: s.high });
      }
    }
    covers(from, to) { return this.from <= from && to <= this.to; }
  }

  R.Layer = Layer;

  R.DataCache = class {
    constructor(config, changed) {
      this.config = config;
      this.changed = changed;
      this.root = "/data/replay/" + encodeURIComponent(config.session) + "/";
      this.requests = 0;
      this.whole = {}; this.near = {}; this.exact = null;
      this.share = 1; this.trouble = "";
      this.runs = {};
      this.waiting = {};
      this.again = {};
      this.closed = false;
    }

    // One request of a kind at a time; a newer one replaces the older.
    async get(kind, path, words, json) {
      if (this.waiting[kind]) this.waiting[kind].abort();
      const stop = (this.waiting[kind] = new AbortController());
      this.requests += 1;
      try {
        const answer = await fetch(this.root + path + "?" + new URLSearchParams(words), { signal: stop.signal });
        if (!answer.ok) {
          const said = await answer.json().catch(() => ({}));
          throw new Error(said.error || "the server answered " + answer.status);
        }
        return json ? await answer.json() : R.unpack(await answer.arrayBuffer());
      } catch (error) {
        if (error.name === "AbortError" || this.closed) return null;
        this.trouble = error.message === "Failed to fetch" ? "The program behind this page does not answer." : error.message;
        this.changed("trouble");
        return null;
      } finally {
        if (this.waiting[kind] === stop) delete this.waiting[kind];
      }
    }

    close() {
      this.closed = true;
      Object.values(this.again).forEach(clearTimeout);
      Object.values(this.waiting).forEach((w) => w.abort());
    }

    async open(columns) {
      const all = { from: 0, to: this.config.length, columns };
      this.columns = columns;
      const got = await this.get("whole-logged", "window", all);
      if (got) { this.whole.logged = new Layer(got.groups, 0, this.config.length); this.changed("data"); }
      this.get("runs", "runs", {}, true).then((runs) => { if (runs) { this.runs = runs; this.changed("runs"); } });
      this.derive("whole", all);
    }

    // Fetch what a window needs unless it is there; columns: pixels of the window.
    async look(from, to, columns) {
      const span = to - from;
      const enough = (layer) => layer && layer.covers(from, to) &&
        (layer.to - layer.from) / span < 2.6 && Math.abs(layer.columns / columns - 1) < 0.2;
      const whole = this.whole.logged || this.waiting["whole-logged"];
      if (enough(this.near.logged) || (span > this.config.length * 0.6 && whole)) return;
      const low = Math.max(0, from - span / 2), high = Math.min(this.config.length, to + span / 2);
      const words = { from: low, to: high, columns: Math.round((columns * (high - low)) / span) };
      const got = await this.get("near-logged", "window", words);
      if (!got) return;
      this.near.logged = Object.assign(new Layer(got.groups, low, high), { columns });
      this.changed("data");
      this.derive("near", words, columns); // what was logged comes first
    }

    async derive(which, words, columns) {
      clearTimeout(this.again[which]);
      const got = await this.get(which + "-derived", "derived", words);
      if (!got || this.closed) return;
      this[which].derived = Object.assign(new Layer(got.groups, words.from, words.to), { columns });
      if (got.failed) { this.trouble = got.failed; this.changed("trouble"); }
      if (which === "whole" || got.share < 1) this.share = got.share;
      this.changed("derived");
      if (got.share < 1) {
        clearTimeout(this.again[which]);
        this.again[which] = setTimeout(() => this.derive(which, words, columns), got.share < 0.02 ? 900 : 2500);
      }
    }

    // The finest series that covers a window; undefined when there is none.
    series(name, from, to) {
      const kinds = ["logged", "derived"];
      for (const kind of kinds) {
        const near = this.near[kind];
        if (near && near.names.has(name) && near.covers(from, to)) return near.names.get(name);
      }
      for (const kind of kinds) {
        const whole = this.whole[kind];
        if (whole && whole.names.has(name)) return whole.names.get(name);
      }
      return undefined;
    }

    // Every sample around t: { ahead, behind } in seconds.
    async around(t, behind, ahead) {
      const from = Math.max(0, t - behind), to = Math.min(this.config.length + 1e-3, t + ahead);
      const got = await this.get("exact", "exact", { from, to });
      if (!got) return false;
      this.exact = new Layer(got.groups, from, got.to);
      this.changed("exact");
      return true;
    }
    exactCovers(from, to) {
      const low = Math.max(0, from), high = Math.min(this.config.length, to);
      return this.exact && this.exact.covers(low, high);
    }

    // Value at t: { value, exact }. Exact: the sample at or next to t itself.
    value(name, t, from, to) {
      const e = this.exact;
      if (e && e.names.has(name) && e.covers(t, t)) {
        const s = e.names.get(name);
        const i = R.nearest(s.group.t, t);
        if (i >= 0 && Math.abs(s.group.t[i] - t) <= Math.max(4 * s.group.step, 1e-3)) return { value: s.low[i], exact: true };
        return { value: NaN, exact: true };
      }
      const s = this.series(name, from, to);
      if (!s) return { value: NaN, exact: false };
      let i = R.nearest(s.group.t, t);
      for (let k = 1; k < 4 && i > 0 && s.low[i] > s.high[i]; k += 1) i -= 1; // an empty column
      if (i < 0 || s.low[i] > s.high[i] || Math.abs(s.group.t[i] - t) > 4 * s.group.step) return { value: NaN, exact: false };
      return { value: (s.low[i] + s.high[i]) / 2, exact: s.group.samples };
    }

    // Of a brake: 1 engaged, 0 released, -1 not said, null not logged.
    brake(name, t) {
      const state = this.word(name, t);
      return state === undefined ? (this.runs[name] ? -1 : null) : state;
    }
    // What a run of words says at t; undefined for nothing.
    word(name, t) {
      const runs = this.runs[name];
      if (!runs) return undefined;
      const i = R.bisect(runs.t, t + 1e-6) - 1;
      return i < 0 || i > runs.v.length ? undefined : runs.v[Math.min(i, runs.v.length - 1)];
    }

    // Instants of the samples that stepping goes by: those of every stream, each once.
    instants() {
      if (!this.exact) return null;
      if (!this.exact.instants) {
        const times = [...new Set(this.exact.groups.map((g) => g.t))];
        const all = times.length === 1 ? times[0] : Float64Array.from([].concat(...times.map((t) => [...t]))).sort();
        this.exact.instants = times.length === 1 ? all : all.filter((t, i) => i === 0 || t - all[i - 1] > 5e-10);
      }
      return this.exact.instants;
    }
    // Whether data for what is drawn are on their way.
    loading(derived) {
      const w = this.waiting;
      if (derived) return Boolean(w["whole-derived"] || w["near-derived"] || this.share < 1);
      return !this.whole.logged || Boolean(w["near-logged"] || w["whole-logged"]);
    }
  };
})();
