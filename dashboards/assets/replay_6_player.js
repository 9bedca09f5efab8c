// The replay itself: what is looked at, time passing, and what the pointer does.
// Longer than 245 lines because what is looked at, its clock and its requests change together,
// step by step.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay;
  const RATES = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100];
  // While playing: how often figures are said (nobody reads them quicker), and where it is in the address.
  const SAY_MS = 125, PUBLISH_MS = 1000;
  const FRAME_EDGE = 0.92; // the window turns its page when the cursor is this far
  const el = (id) => document.getElementById(id);

  // What is looked at. Times are seconds since the session's start.
  class View {
    constructor(config, dirty) {
      this.config = config; this.dirty = dirty;
      const length = config.length, v = config.view;
      this.from = Math.max(0, Math.min(v.from === null ? 0 : v.from, length));
      this.to = Math.min(length, v.to === null ? length : v.to);
      if (!(this.to - this.from > 1e-4)) { this.from = 0; this.to = length; }
      this.at = Math.max(0, Math.min(length, v.at === null ? this.from : v.at));
      this.mark = v.mark; this.flag = v.flag;
      const known = config.joints.map((j) => j.name);
      const asked = v.joints.filter((j) => known.includes(j));
      this.shown = new Set(asked.length ? asked : known);
      // The flag of an address says which joint it is about; then the joint that is named.
      const flag = config.flags.find((f) => f.flag === v.flag);
      const about = flag && known.includes(flag.joint) ? flag.joint : v.front;
      this.front = known.includes(about) ? about : [...this.shown][0];
      this.shown.add(this.front);
      this.pins = config.pins || []; this.zero = null; this.before = null; this.measureAll = false;
      this.playing = false; this.rate = 1; this.way = 1; this.loop = null;
    }
    joint(name) { return this.config.joints.find((j) => j.name === name); }
    frontJoint() { return this.joint(this.front); }
    shownJoints() { return this.config.joints.filter((j) => this.shown.has(j.name)); }
    isShown(name) { return this.shown.has(name); }
  }

  R.View = View;

  class Player {
    constructor(config) {
      config.zero = BigInt(config.zero_ns);
      config.joints.forEach((j, i) => { j.index = i; });
      this.config = config;
      this.view = new View(config, () => this.dirty());
      this.cache = new R.DataCache(config, (what) => this.arrived(what));
      this.panels = new R.Panels(el("rp-stack"), this.view, this.cache, config);
      this.plane = new R.Plane(el("rp-plane"), this.view, this.cache, config);
      this.posture = new R.Posture(el("rp-posture"), this.view, this.cache, config);
      this.frames = 0; this.after = {};
      this.controls = new R.Controls(this);
      this.resized = () => this.dirty();
      window.addEventListener("resize", this.resized);
      document.addEventListener("jointbook-theme", this.resized);
      this.panels.measure();
      this.cache.open(this.columns());
      this.windowChanged();
      if (this.view.flag) this.controls.showFlag(config.flags.find((f) => f.flag === this.view.flag) || null);
      if (config.view.since !== null && config.view.since !== undefined) this.setZero(config.view.since);
      this.settle();
      this.dirty();
    }
    close() {
      this.closed = true;
      cancelAnimationFrame(this.asked);
      this.cache.close();
      window.removeEventListener("resize", this.resized);
      document.removeEventListener("jointbook-theme", this.resized);
    }
    columns() { return Math.max(200, Math.round(this.panels.plot * Math.min(2, window.devicePixelRatio || 1))); }

    // --- drawing: at most once a frame, and only what changed ----------------
    // keys: the panels to draw anew; without them everything.
    dirty(keys) {
      if (!keys) this.only = null;
      else if (!this.stale) this.only = new Set(keys);
      else if (this.only) keys.forEach((k) => this.only.add(k));
      this.stale = true;
      this.tick();
    }
    tick() {
      if (!this.asked && !this.closed) this.asked = requestAnimationFrame((now) => this.frame(now));
    }
    frame(now) {
      this.asked = 0;
      this.frames += 1;
      const v = this.view;
      if (v.playing) this.advance(now);
      if (this.stale) {
        const asked = this.only;
        this.stale = false; this.only = null;
        const only = this.panels.draw(asked);
        if (!only) this.freshPlane = true;
        if (!only || only.has("brakes")) this.controls.drawStrip();
        this.drawnAt = performance.now();
      }
      this.plane.draw(this.freshPlane); // both ask for their size: before anything is moved
      this.freshPlane = false;
      this.posture.draw();
      this.panels.place();
      this.controls.place();
      if (!v.playing || now - (this.said || 0) > SAY_MS) { this.said = now; this.controls.readouts(); }
      if (v.playing) { this.publish(now); this.tick(); }
    }
    arrived(what) {
      if (this.closed) return;
      if (what === "trouble") this.controls.trouble(this.cache.trouble);
      else if (what === "exact") { this.tick(); if (this.pending) { const go = this.pending; this.pending = null; go(); } }
      else if (what === "plane") { this.freshPlane = true; this.tick(); }
      else if (what === "posture") this.tick();
      else if (what === "runs") this.dirty(["brakes"]);
      else if (what === "derived") this.dirty(R.DERIVED);
      else this.dirty();
    }

    // --- time ----------------------------------------------------------------
    advance(now) {
      const v = this.view, dt = Math.min(0.25, (now - (this.before || now)) / 1000);
      this.before = now;
      let at = v.at + dt * v.rate * v.way;
      const [low, high] = v.loop || [0, this.config.length];
      if (v.loop) {
        if (at > high) at = low + ((at - high) % Math.max(1e-6, high - low));
        if (at < low) at = high;
      } else if (v.way > 0 ? at >= high : at <= low) {
        at = Math.max(low, Math.min(high, at));
        v.at = at;
        this.play(false);
      }
      v.at = at;
      const span = v.to - v.from;
      if (at > v.from + span * FRAME_EDGE && v.to < this.config.length && v.way > 0) this.setWindow(at - span * 0.08, at + span * 0.92);
      else if (at < v.from + span * (1 - FRAME_EDGE) && v.from > 0 && v.way < 0) this.setWindow(at - span * 0.92, at + span * 0.08);
      else if (at < v.from || at > v.to) this.setWindow(at - span * 0.08, at + span * 0.92);
      if (v.rate <= 4 && span < 600) this.readAhead();
    }
    readAhead() {
      const v = this.view, ahead = 6 * v.rate, step = this.config.step;
      if (this.cache.waiting.exact || this.cache.exactCovers(v.at - step, v.at + v.way * ahead * 0.3)) return;
      const long = Math.max(ahead * 4, 200 * step), back = 60 * step;
      this.cache.around(v.at, v.way > 0 ? back : long, v.way > 0 ? long : back);
    }
    play(on) {
      const v = this.view;
      v.playing = on === undefined ? !v.playing : on;
      this.before = 0;
      if (v.playing && v.at >= this.config.length && v.way > 0 && !v.loop) v.at = 0;
      this.controls.playing();
      if (v.playing) { this.before = performance.now(); this.tick(); } else this.settle();
    }
    setCursor(at, keep) {
      const v = this.view;
      v.at = Math.max(0, Math.min(this.config.length, at));
      if (!keep && (v.at < v.from || v.at > v.to)) {
        const span = v.to - v.from;
        this.setWindow(v.at - span / 2, v.at + span / 2);
      }
      this.tick();
      this.settle();
    }
    // Window of at least a few samples, inside the session.
    setWindow(from, to) {
      const v = this.view, length = this.config.length;
      let span = Math.max(Math.min(to - from, length), Math.min(length, 6 * this.config.step));
      const middle = (from + to) / 2;
      let low = to - from < span - 1e-12 ? middle - span / 2 : from;
      low = Math.max(0, Math.min(length - span, low));
      v.from = low; v.to = low + span;
      this.windowChanged();
      this.dirty();
    }
    windowChanged() {
      const v = this.view;
      this.cache.look(v.from, v.to, this.columns());
      clearTimeout(this.later);
      this.later = setTimeout(() => {
        if (this.closed) return;
        this.settle();
        this.afterLogged("side", () => { this.plane.look(); this.posture.look(); });
      }, v.playing ? 400 : 160);
    }
    // What stands beside the plots waits for the plots, but not for ever.
    afterLogged(what, go) {
      clearTimeout(this.after[what]);
      const until = performance.now() + 5000;
      const look = () => {
        if (this.closed) return;
        if ((this.cache.loading() || this.stale) && performance.now() < until) this.after[what] = setTimeout(look, 40);
        else go();
      };
      look();
    }
    // Standing still: fetch every sample around the cursor, measure, publish.
    settle() {
      if (this.view.playing) return;
      clearTimeout(this.still);
      this.still = setTimeout(() => {
        if (this.closed) return;
        const v = this.view, step = this.config.step;
        this.afterLogged("exact", () => {
          if (!this.cache.waiting.exact && !this.cache.exactCovers(v.at - 3 * step, v.at + 3 * step)) this.cache.around(v.at, 300 * step, 300 * step);
        });
        this.controls.measure();
        this.publish();
      }, 110);
    }
    async stepSample(way) {
      const v = this.view, step = this.config.step;
      if (v.playing) this.play(false);
      const go = () => {
        const t = this.cache.instants();
        if (!t || !t.length) return;
        let i = way > 0 ? R.bisect(t, v.at + 1e-7) : R.bisect(t, v.at - 1e-7) - 1;
        if (i < 0 || i >= t.length) return;
        this.setCursor(t[i]);
      };
      if (this.cache.exactCovers(v.at - 3 * step, v.at + 3 * step)) return go();
      if (await this.cache.around(v.at, 300 * step, 300 * step)) go();
      return undefined;
    }
    stepSeconds(s) { if (this.view.playing) this.play(false); this.setCursor(this.view.at + s); }
    zoom(factor, around) {
      const v = this.view, at = around === undefined ? (v.at >= v.from && v.at <= v.to ? v.at : (v.from + v.to) / 2) : around;
      this.setWindow(at - (at - v.from) * factor, at + (v.to - at) * factor);
    }
    shift(share) { const v = this.view, d = share * (v.to - v.from); this.setWindow(v.from + d, v.to + d); }
    jumpFlag(way) {
      const v = this.view, flags = this.config.flags;
      const next = way > 0 ? flags.find((f) => f.start > v.at + 1e-6) : [...flags].reverse().find((f) => f.start < v.at - 1e-6);
      if (next) this.goFlag(next);
      else this.controls.say(flags.length ? (way > 0 ? "No later flag in this session." : "No earlier flag in this session.") : "This session has no flag.");
    }
    goFlag(f) {
      const v = this.view;
      v.flag = f.flag;
      if (v.joint(f.joint)) { v.front = f.joint; if (v.before) v.shown = new Set([f.joint]); else v.shown.add(f.joint); }
      v.at = f.start;
      const span = v.to - v.from, long = f.end - f.start;
      if (span > 40 * Math.max(long, 20 * this.config.step) || f.start < v.from || f.end > v.to) this.zoomFlag(f);
      this.plane.key = "";
      this.controls.showFlag(f);
      this.controls.rows();
      this.windowChanged();
      this.dirty();
      this.settle();
    }
    zoomFlag(f) {
      const v = this.view;
      const flag = f || this.config.flags.find((g) => g.start <= v.at + 1e-6 && v.at <= g.end + 1e-6) || this.config.flags.find((g) => g.flag === v.flag);
      if (!flag) return this.controls.say("No flag at the cursor; N goes to the next one.");
      const room = Math.max((flag.end - flag.start) * 0.8, 60 * this.config.step, 2);
      return this.setWindow(flag.start - room, flag.end + room);
    }
    setMark() { this.view.mark = this.view.mark === null ? this.view.at : null; this.tick(); this.controls.measure(); this.publish(); }
    setLoop() {
      const v = this.view;
      v.loop = v.loop ? null : v.mark !== null && v.mark !== v.at ? [Math.min(v.mark, v.at), Math.max(v.mark, v.at)] : [v.from, v.to];
      this.controls.playing();
    }
    bring(name) {
      const v = this.view;
      if (!v.joint(name)) return;
      v.front = name;
      if (v.before) v.shown = new Set([name]); else v.shown.add(name);
      const flag = this.config.flags.find((f) => f.flag === v.flag);
      if (flag && flag.joint && flag.joint !== name) v.flag = null; // the address speaks of another joint now
      this.plane.key = "";
      this.controls.rows();
      this.windowChanged();
      this.dirty();
    }

    // One joint alone, and back to those that were shown.
    solo() {
      const v = this.view;
      if (v.before) { v.shown = v.before; v.before = null; this.controls.say("The joints shown before"); }
      else { v.before = v.shown; v.shown = new Set([v.front]); this.controls.say(v.front + " alone; S ends it"); }
      this.controls.rows(); this.controls.playing();
      this.dirty(); this.settle();
    }
    // Angles since the cursor's instant; again for the angles as logged.
    async setZero(t) {
      const v = this.view;
      if (v.zero && t === undefined) { v.zero = null; this.controls.playing(); this.dirty(); return this.publish(); }
      const at = t === undefined ? v.at : t, step = this.config.step;
      const got = await this.cache.get("zero", "exact", { from: Math.max(0, at - 4 * step), to: Math.min(this.config.length, at + 4 * step) });
      if (!got) return undefined;
      const values = {};
      for (const g of got.groups) for (const [name, s] of Object.entries(g.series)) {
        if (!name.endsWith(".angle_deg") || !g.t.length) continue;
        values[name.slice(0, -10)] = s.low[R.nearest(g.t, at)];
      }
      v.zero = { t: at, values };
      this.controls.playing();
      this.controls.say("Angles since this instant; A ends it");
      this.dirty();
      return this.publish();
    }
    setPins(pins) {
      const card = el("rp-pin");
      if (card) card.hidden = true;
      this.showPins(pins || []);
    }
    // Pins that others put meanwhile carry their names until the page is made anew.
    showPins(pins) {
      this.view.pins = pins;
      this.dirty();
    }
    // What others decided meanwhile: flag to words.
    showVerdicts(holds) {
      for (const f of this.config.flags) if (f.flag in holds) f.holds = holds[f.flag];
      if (this.controls.flag && this.controls.flag.flag in holds) this.controls.showFlag(this.controls.flag);
    }

    // --- the address and Dash: once a second while playing --------------------
    publish(now) {
      if (this.view.playing && now - (this.published || 0) < PUBLISH_MS) return;
      this.published = now || 0;
      const v = this.view, zero = this.config.zero, all = v.from <= 0 && v.to >= this.config.length - 1e-9;
      const state = {
        session: this.config.session,
        from: all ? null : R.iso(v.from, zero), to: all ? null : R.iso(v.to, zero), at: R.iso(v.at, zero),
        joints: v.shown.size === this.config.joints.length ? null : [...v.shownJoints()].map((j) => j.name).join(","),
        flag: v.flag || null, front: v.front, mark: v.mark === null ? null : R.iso(v.mark, zero),
        since: v.zero ? R.iso(v.zero.t, zero) : null,
      };
      if (jb.address.page() !== "replay" && jb.address.page() !== "") return;
      if (jb.address.page() === "replay") jb.address.write(state);
      if (window.dash_clientside && window.dash_clientside.set_props) window.dash_clientside.set_props("replay-view", { data: state });
    }
  }
  R.RATES = RATES;

  R.mount = function (config) {
    if (R.player) R.player.close();
    R.player = null;
    if (!config || !el("rp-stack")) return;
    R.player = new Player(config);
  };
  // Leaving the page ends the replay.
  new MutationObserver(() => { if (R.player && !document.contains(R.player.panels.host)) { R.player.close(); R.player = null; } })
    .observe(document.documentElement, { childList: true, subtree: true });

  const act = (f) => (event) => { if (R.player) f(R.player, event); };
  const map = {
    " ": act((s) => s.play()),
    arrowleft: act((s) => s.stepSample(-1)), arrowright: act((s) => s.stepSample(1)),
    "shift+arrowleft": act((s) => s.stepSeconds(-1)), "shift+arrowright": act((s) => s.stepSeconds(1)),
    e: act((s) => s.controls.faster(-1)), r: act((s) => s.controls.faster(1)),
    b: act((s) => { s.view.way *= -1; s.controls.playing(); }),
    n: act((s) => s.jumpFlag(1)), p: act((s) => s.jumpFlag(-1)), z: act((s) => s.zoomFlag()),
    "+": act((s) => s.zoom(0.5)), "=": act((s) => s.zoom(0.5)), "-": act((s) => s.zoom(2)),
    pageup: act((s) => s.shift(-0.5)), pagedown: act((s) => s.shift(0.5)), 0: act((s) => s.setWindow(0, s.config.length)),
    m: act((s) => s.setMark()), o: act((s) => s.setLoop()),
    s: act((s) => s.solo()), a: act((s) => s.setZero()), i: act((s) => s.controls.openPin()), k: act((s) => s.controls.turnMeasure()),
  };
  for (let k = 1; k <= 9; k += 1) map[k] = act((s) => { const j = s.config.joints[k - 1]; if (j) s.bring(j.name); });
  jb.keys.add("replay", map);
})();
