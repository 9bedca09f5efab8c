// The linked plots: one drawing a quantity, one time axis for all.
// Longer than 245 lines because one drawing's geometry, its layers and what it answers to
// share the same margins and scales.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay, S = R.scales;

  R.GUTTER = 108;
  const RIGHT = 8, HEAD = 58, PINS_TOLD = 6;
  R.PANELS = [
    { key: "angle", title: "Angle", unit: "deg", quantity: "angle_deg", under: ["angle_cmd_deg"], digits: 3 },
    { key: "rate", title: "Rate", unit: "deg/s", quantity: "rate_deg_s", under: ["rate_cmd_deg_s"], digits: 3 },
    { key: "current", title: "Current", unit: "A", quantity: "current_a", band: ["low_a", "high_a"], under: ["expected_a", "current_target_a"], digits: 3 },
    { key: "residual", title: "Residual", unit: "A", quantity: "residual_a", zero: true, digits: 3 },
    { key: "brakes", title: "Brakes", unit: "" },
    { key: "torque", title: "Torque", unit: "N m", quantity: "torque_nm", zero: true, digits: 1 },
    { key: "temperature", title: "Temperature", unit: "°C", quantity: "temperature_c", digits: 1 },
    { key: "load", title: "Load", unit: "N m", quantity: "load_nm", error: "load_se_nm", zero: true, digits: 1 },
  ];

  // Panels with something that is computed, not logged.
  R.DERIVED = ["rate", "current", "residual", "load"];
  // What is drawn beside the measured line, for the front joint: its word and its dash.
  R.BESIDE = { expected_a: ["expected", [5, 3]], rate_cmd_deg_s: ["commanded", [2, 3]], angle_cmd_deg: ["commanded", [2, 3]], current_target_a: ["target current", [7, 3, 2, 3]] };

  // What a brake's lane shows: the word and how thick.
  R.BRAKE_KEY = [["engaged", 7], ["released", 1], ["commanded", 2]];

  const xs = new Float64Array(40000), ys = new Float64Array(40000);

  R.Panels = class {
    constructor(host, view, cache, config) {
      Object.assign(this, { host, view, cache, config });
      this.panels = R.PANELS.filter((p) => this.there(p));
      this.folded = new Set();
      host.textContent = "";
      for (const p of this.panels) {
        const box = document.createElement("div");
        box.className = "rp-panel";
        box.dataset.panel = p.key;
        const fold = document.createElement("button");
        fold.className = "rp-fold";
        fold.textContent = p.title;
        fold.setAttribute("aria-expanded", "true");
        fold.title = "Fold or unfold " + p.title.toLowerCase();
        fold.addEventListener("click", () => this.fold(p.key, fold));
        const canvas = document.createElement("canvas");
        canvas.setAttribute("role", "img");
        canvas.setAttribute("aria-label", p.title + " against time for the joints shown; the values at the cursor are in the table");
        box.append(canvas, fold);
        host.append(box);
        Object.assign(p, { box, canvas });
      }
      this.axis = document.createElement("canvas");
      this.axis.setAttribute("aria-hidden", "true");
      this.axis.className = "rp-axis";
      host.append(this.axis);
      this.cursor = document.createElement("div");
      this.cursor.className = "rp-cursor";
      this.second = document.createElement("div");
      this.second.className = "rp-cursor second";
      this.second.hidden = true;
      this.pick = document.createElement("div");
      this.pick.className = "rp-pick";
      this.pick.hidden = true;
      host.append(this.second, this.cursor, this.pick);
    }
    there(p) {
      const has = (q) => this.config.joints.some((j) => j.has.includes(q));
      if (p.key === "brakes") return has("brake_engaged") || has("brake_engage_cmd");
      if (p.key === "residual") return Boolean(this.config.baseline);
      if (p.key === "load") return this.config.load;
      if (p.key === "rate") return has("rate_deg_s") || has("angle_deg");
      if (p.key === "current") return has("current_a") || has("current_target_a");
      return has(p.quantity);
    }
    fold(key, button) {
      if (this.folded.has(key)) this.folded.delete(key);
      else this.folded.add(key);
      button.setAttribute("aria-expanded", String(!this.folded.has(key)));
      this.view.dirty();
    }

    // Returns whether all drawings keep their size; a bar that comes or goes changes the width too.
    measure() {
      const was = [this.width, ...this.panels.map((p) => p.height)].join();
      this.width = this.host.clientWidth;
      this.plot = Math.max(60, this.width - R.GUTTER - RIGHT);
      const shown = Math.max(1, this.view.shownJoints().length);
      const room = Math.max(300, window.innerHeight - (this.host.getBoundingClientRect().top + window.scrollY) - 44);
      const heights = S.heights(this.panels.map((p) => p.key), this.folded, shown, room);
      this.panels.forEach((p, i) => { p.height = heights[i]; });
      return was === [this.width, ...this.panels.map((p) => p.height)].join();
    }
    x(t) { return S.place(t, this.view.from, this.view.to, R.GUTTER, this.plot); }
    t(x) { return S.instant(x, this.view.from, this.view.to, R.GUTTER, this.plot); }

    colours() {
      const get = jb.theme.colour;
      this.ink = { ink: get("ink"), faint: get("faint"), rule: get("rule"), sheet: get("sheet"), span: get("span"), band: get("band"), paper: get("paper"), accent: get("accent"), pin: get("band") };
      this.ink.joint = this.config.joints.map((_, i) => get("joint-" + (i % 7)));
    }

    // asked: keys of the panels to draw; all without, and when sizes have changed. Returns what was drawn.
    draw(asked) {
      const only = this.measure() ? asked : null;
      this.colours();
      for (const p of this.panels) {
        if (only && !only.has(p.key)) continue;
        const renderer = new R.CanvasRenderer(p.canvas, this.width, p.height);
        if (!this.folded.has(p.key)) this.one(renderer, p, p.height);
      }
      if (!only) this.drawAxis(new R.CanvasRenderer(this.axis, this.width, 22), 22);
      return only;
    }
    // All panels under one another, for keeping: what it is on top, what the marks mean below.
    picture(renderer) {
      const v = this.view, zero = this.config.zero, front = v.frontJoint(), decimals = this.config.decimals;
      const at = (t) => R.day(t, zero, decimals) + " " + R.clock(t, zero, decimals) + " UTC";
      const flag = this.config.flags.find((f) => f.flag === v.flag);
      renderer.text(this.config.session + (front.unit ? " · " + front.name + " is unit " + front.unit : ""), 6, 12, this.ink.ink, "left", 14, 600);
      renderer.text((flag ? (flag.joint || "every joint") + " " + flag.kind_words + " · " : "") + "from " + at(v.from) + " to " + at(v.to), 6, 30, this.ink.ink, "left", 11);
      renderer.text("cursor " + at(v.at) + (v.mark === null ? "" : " · second cursor " + at(v.mark) + " · " + R.number(v.at - v.mark, 4) + " s between"), 6, 46, this.ink.ink, "left", 11);
      let y = HEAD;
      const top = y;
      for (const p of this.panels) {
        if (this.folded.has(p.key)) continue;
        renderer.move(0, y);
        this.one(renderer, p, p.height);
        renderer.text(p.title, 5, 9, this.ink.ink, "left", 11, 600);
        renderer.back();
        y += p.height;
      }
      renderer.move(0, y);
      this.drawAxis(renderer, 22);
      renderer.back();
      for (const [t, dash] of [[v.at, null], [v.mark, [5, 4]]]) {
        if (t === null || t < v.from || t > v.to) continue;
        renderer.line(this.x(t), top, this.x(t), y, dash ? this.ink.accent : this.ink.ink, 1.2, dash);
      }
      this.legend(renderer, y + 22);
    }
    legend(renderer, y) {
      let x = 8;
      for (const j of this.view.shownJoints()) {
        renderer.line(x, y + 12, x + 22, y + 12, this.ink.joint[j.index], j.name === this.view.front ? 2.2 : 1.2);
        renderer.mark(j.mark, x + 11, y + 12, 4, this.ink.joint[j.index]);
        renderer.text(j.name, x + 27, y + 12, this.ink.ink, "left", 11, j.name === this.view.front ? 700 : 400);
        x += 58;
      }
      const has = (q) => this.config.joints.some((j) => j.has.includes(q));
      const keys = [R.BESIDE.rate_cmd_deg_s];
      if (this.config.baseline) keys.unshift(R.BESIDE.expected_a);
      if (has("current_target_a")) keys.push(R.BESIDE.current_target_a);
      for (const [word, dash] of keys) {
        renderer.line(x, y + 12, x + 22, y + 12, this.ink.ink, 1, dash);
        renderer.text(word, x + 27, y + 12, this.ink.ink, "left", 11);
        x += 112;
      }
      for (const [word, colour] of [["band", this.ink.band], ["flag", this.ink.span]]) {
        renderer.area(x, y + 6, 20, 12, colour);
        renderer.text(word, x + 25, y + 12, this.ink.ink, "left", 11);
        x += 64;
      }
      this.view.pins.filter((p) => p.end >= this.view.from && p.start <= this.view.to).slice(0, PINS_TOLD).forEach((p, i) => {
        renderer.text("⚲" + p.n + " " + R.clock(p.start, this.config.zero, 3) + " " + (p.joint ? p.joint + ": " : "") + p.text, 8, y + 30 + 15 * i, this.ink.ink, "left", 11);
      });
    }
    pictureHeight() {
      const pins = this.view.pins.filter((p) => p.end >= this.view.from && p.start <= this.view.to).length;
      const shown = this.panels.filter((p) => !this.folded.has(p.key)).reduce((sum, p) => sum + p.height, 0);
      return HEAD + 22 + shown + 26 + 15 * Math.min(pins, PINS_TOLD);
    }

    one(renderer, p, height) {
      const { from, to } = this.view;
      renderer.clip(R.GUTTER, 0, this.plot, height);
      const flags = this.config.flags.filter((f) => f.end >= from && f.start <= to && this.view.isShown(f.joint));
      for (const [start, end] of R.shades(flags, this.view.flag)) {
        const x0 = this.x(Math.max(start, from)), x1 = this.x(Math.min(end, to));
        renderer.area(x0, 0, Math.max(2, x1 - x0), height, this.ink.span);
      }
      for (const pin of this.view.pins) {
        if (pin.end < from || pin.start > to) continue;
        const x0 = this.x(pin.start), x1 = this.x(pin.end);
        if (x1 - x0 > 1) renderer.area(Math.max(x0, R.GUTTER), 0, Math.min(x1, R.GUTTER + this.plot) - Math.max(x0, R.GUTTER), height, this.ink.pin);
        renderer.line(x0, 0, x0, height, this.ink.accent, 1.2, [2, 3]);
        if (p === this.panels[0]) renderer.text("⚲" + pin.n + (pin.by ? " " + pin.by : ""), x0 + 3, 8, this.ink.accent, "left", 11, 600);
      }
      renderer.unclip();
      renderer.line(R.GUTTER, height - 0.5, R.GUTTER + this.plot, height - 0.5, this.ink.rule, 1);
      if (p.key === "brakes") this.ribbons(renderer, height);
      else this.lines(renderer, p, height);
    }

    lines(renderer, p, height) {
      const { from, to } = this.view;
      const joints = this.view.shownJoints();
      let low = Infinity, high = -Infinity;
      const seen = [];
      const include = (s) => {
        const own = S.extent(s, from, to);
        low = Math.min(low, own[0]); high = Math.max(high, own[1]);
      };
      for (const j of joints) {
        const s = this.cache.series(j.name + "." + p.quantity, from, to);
        if (!s) continue;
        include(s);
        seen.push([j, s]);
      }
      const front = this.view.frontJoint();
      const beside = (this.view.isShown(front.name) ? p.under || [] : [])
        .map((q) => [q, this.cache.series(front.name + "." + q, from, to)]).filter(([, s]) => s);
      for (const [q, s] of beside) if (q === "current_target_a" || q === "angle_cmd_deg") include(s);
      const band = p.band && this.view.isShown(front.name) && p.band.map((q) => this.cache.series(front.name + "." + q, from, to));
      if (band && band[0] && band[1] && low <= high) {
        const wide = [S.extent(band[0], from, to)[0], S.extent(band[1], from, to)[1]];
        [low, high] = S.cut([low, high], [Math.min(low, wide[0]), Math.max(high, wide[1])]);
      }
      const mine = p.error && seen.find(([j]) => j.name === front.name), error = mine && this.cache.series(front.name + "." + p.error, from, to);
      const doubt = error && S.doubt(mine[1], error); // two standard errors about the front joint's line
      for (const s of doubt || []) include(s);
      const zero = p.key === "angle" ? this.view.zero : null;
      if (zero && seen.length) return this.since(renderer, p, height, seen, zero);
      if (!(low <= high)) {
        const derived = p.key === "residual" || p.key === "load";
        const computed = derived || p.key === "rate"; // a rate that was not logged comes from the angles
        const words = this.cache.loading() ? (derived ? "being computed …" : "loading …") : computed && this.cache.loading(true) ? "being computed …" : "nothing in this window";
        renderer.text(words, R.GUTTER + 70, height / 2, this.ink.faint);
        return;
      }
      [low, high] = S.padded(low, high);
      p.low = low; p.high = high;
      const y = S.upright(low, high, height);
      this.scale(renderer, p, height, low, high, y);
      renderer.text(p.unit + (doubt ? ", ± 2 SE" : ""), 5, 24, this.ink.faint, "left", 10.5);
      renderer.clip(R.GUTTER, 0, this.plot, height);
      if (band && band[0] && band[1]) this.band(renderer, band[0], band[1], y);
      if (doubt) this.band(renderer, doubt[0], doubt[1], y);
      for (const [q, s] of beside) this.trace(renderer, s, y, this.ink.ink, 1, 0.8, R.BESIDE[q][1]);
      const order = seen.filter(([j]) => j.name !== front.name).concat(seen.filter(([j]) => j.name === front.name));
      for (const [j, s] of order) {
        const ahead = j.name === front.name;
        this.trace(renderer, s, y, this.ink.joint[j.index], ahead ? 1.9 : 1.1, ahead ? 1 : R.behind());
        this.marks(renderer, s, y, j);
      }
      renderer.unclip();
      beside.forEach(([q], i) => { // the key of each line, where the panel has room for it
        const at = 37 + 20 * i, [word, dash] = R.BESIDE[q];
        if (at + 14 > height) return;
        renderer.line(5, at, 31, at, this.ink.ink, 1, dash);
        renderer.text(word, 5, at + 9, this.ink.faint, "left", 9.5);
      });
    }

    scale(renderer, p, height, low, high, y) {
      const { lines, labels, digits } = S.labels(low, high, height, p.title.length > 8 ? 16 : 7);
      for (const v of lines) {
        const at = Math.round(y(v)) + 0.5;
        if (at < 3 || at > height - 3) continue;
        renderer.line(R.GUTTER, at, R.GUTTER + this.plot, at, this.ink.rule, v === 0 && p.zero ? 1.6 : 0.6);
        if (labels.includes(v)) renderer.text(R.number(v, digits), R.GUTTER - 5, at, this.ink.faint, "right", 10.5);
      }
    }
    // Angles since an instant, each joint at a scale of its own: the labels are the front joint's.
    since(renderer, p, height, seen, zero) {
      const { from, to } = this.view, front = this.view.frontJoint();
      const order = seen.filter(([j]) => j.name !== front.name).concat(seen.filter(([j]) => j.name === front.name));
      ["deg since", R.clock(zero.t, this.config.zero, 1), "as " + front.name].forEach((word, i) =>
        renderer.text(word, 5, 24 + 12 * i, this.ink.faint, "left", 10));
      let widest = 0; // quiet joints keep to a fifth of the front joint's scale: noise is not motion
      for (const [j, s] of [...order].reverse()) {
        const v0 = zero.values[j.name];
        if (v0 === undefined || v0 !== v0) continue;
        const own = S.extent(s, from, to);
        let low = Math.min(0, own[0] - v0), high = Math.max(0, own[1] - v0);
        widest = Math.max(widest, j.name === front.name ? high - low : 0);
        [low, high] = S.since(low, high, widest);
        const y = S.upright(low, high, height);
        const ahead = j.name === front.name;
        if (ahead) { this.scale(renderer, { title: "Angle since then", zero: true }, height, low, high, y); p.low = low; p.high = high; }
        renderer.clip(R.GUTTER, 0, this.plot, height);
        this.trace(renderer, s, (v) => y(v - v0), this.ink.joint[j.index], ahead ? 1.9 : 1.1, ahead ? 1 : R.behind());
        this.marks(renderer, s, (v) => y(v - v0), j);
        renderer.unclip();
      }
    }

    trace(renderer, s, y, colour, width, alpha, dash) {
      const n = S.line(s, this.view.from, this.view.to, (t) => this.x(t), y, xs, ys);
      renderer.path(xs, ys, n, colour, width, alpha, dash);
    }
    // The joint's mark along its line; a dot on each sample when they are far apart.
    marks(renderer, s, y, joint) {
      const t = s.group.t, colour = this.ink.joint[joint.index];
      const { all, at } = S.marked(s, this.view.from, this.view.to, joint.index, R.GUTTER, this.plot);
      for (const i of at) renderer.mark(joint.mark, this.x(t[i]), y(all ? s.low[i] : (s.low[i] + s.high[i]) / 2), all ? 2.1 : 3.3, colour);
    }
    band(renderer, low, high, y) {
      const t = low.group.t;
      for (const run of S.stretches(low, this.view.from, this.view.to)) {
        const under = run.map((i) => [this.x(t[i]), y(low.low[i])]);
        renderer.polygon(under.concat(run.reverse().map((i) => [this.x(t[i]), y(high.high[i])])), this.ink.band);
      }
    }

    // A ribbon a joint: full where engaged, an outline where released, nothing
    // where the recorder did not say. A thin line on top where it is told to engage.
    ribbons(renderer, height) {
      const joints = this.view.shownJoints();
      const each = (height - 14) / Math.max(1, joints.length);
      R.BRAKE_KEY.forEach(([word, thick], i) => { // as far as the panel has room for it
        const at = 28 + 15 * i;
        if (at + 6 > height) return;
        renderer.area(5, at - thick / 2, 16, thick, this.ink.ink);
        renderer.text(word, 25, at, this.ink.faint, "left", 9);
      });
      joints.forEach((j, row) => {
        const top = 12 + row * each, thick = Math.max(3, each - 3), colour = this.ink.joint[j.index];
        renderer.text(j.name, R.GUTTER - 5, top + thick / 2, this.ink.faint, "right", 9);
        renderer.clip(R.GUTTER, 0, this.plot, height);
        this.runs(j.name + ".brake_engaged", (x0, x1, state) => {
          if (state === 1) renderer.area(x0, top, Math.max(0.7, x1 - x0), thick, colour);
          else if (state === 0) { renderer.line(x0, top + thick - 0.5, x1, top + thick - 0.5, colour, 1); }
        });
        this.runs(j.name + ".brake_engage_cmd", (x0, x1, state) => {
          if (state === 1) renderer.area(x0, top - 1.5, Math.max(0.7, x1 - x0), 1.5, this.ink.ink);
        });
        renderer.unclip();
      });
    }
    runs(name, each) {
      const runs = this.cache.runs[name];
      if (!runs) return;
      for (const [start, end, state] of S.runs(runs, this.view.from, this.view.to)) each(this.x(start), this.x(end), state);
    }

    drawAxis(renderer) {
      const { from, to } = this.view;
      const zeroMs = Number(this.config.zero / 1000000n);
      const { ticks, step } = R.timeTicks(from, to, zeroMs, Math.max(2, this.plot / 110));
      const decimals = step >= 1 ? 0 : R.digits(step);
      for (const t of ticks) {
        const x = this.x(t);
        if (x < R.GUTTER - 1 || x > R.GUTTER + this.plot + 1) continue;
        renderer.line(x, 0, x, 5, this.ink.faint, 1);
        if (x > R.GUTTER + 20 && x < R.GUTTER + this.plot - 20) renderer.text(R.clock(t, this.config.zero, decimals), x, 13, this.ink.ink, "center", 10.5);
      }
      renderer.text("UTC", 4, 13, this.ink.faint, "left", 10.5);
    }

    place() {
      const x = this.x(this.view.at);
      const inside = x >= R.GUTTER - 1 && x <= R.GUTTER + this.plot + 1;
      this.cursor.style.transform = "translateX(" + (inside ? x : -10) + "px)";
      const m = this.view.mark;
      this.second.hidden = m === null;
      if (m !== null) {
        const mx = this.x(m);
        this.second.style.transform = "translateX(" + (mx >= R.GUTTER - 1 && mx <= R.GUTTER + this.plot + 1 ? mx : -10) + "px)";
      }
    }
  };
})();
