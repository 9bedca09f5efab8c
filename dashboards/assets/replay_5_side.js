// Beside the plots: the current–speed plane and the arm's posture.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay;
  const TRAIL_S = 6, CLASSES = 6;
  const rgb = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));

  function colours() {
    const get = jb.theme.colour;
    return { ink: get("ink"), faint: get("faint"), rule: get("rule"), band: get("band"), sheet: get("sheet"), joint: (i) => get("joint-" + (i % 7)) };
  }

  R.Plane = class {
    constructor(canvas, view, cache, config) {
      Object.assign(this, { canvas, view, cache, config });
      this.note = ""; this.data = null;
    }
    async look() {
      const joint = this.view.frontJoint();
      const { from, to } = this.view;
      const key = joint.name + from + " " + to;
      if (this.key === key) return;
      this.key = key;
      const got = await this.cache.get("plane", "plane", { joint: joint.name, from, to }, false);
      if (!got) { this.key = ""; return; }
      this.data = got; this.joint = joint; this.note = got.note || "";
      this.cache.changed("plane");
    }
    scales(w, h) {
      const points = this.data.groups[0], band = this.data.groups[1];
      let x0 = Infinity, x1 = -Infinity, y0 = Infinity, y1 = -Infinity;
      const see = (xs, ys) => {
        for (let i = 0; i < xs.length; i += 1) {
          if (xs[i] < x0) x0 = xs[i]; if (xs[i] > x1) x1 = xs[i];
          if (ys[i] < y0) y0 = ys[i]; if (ys[i] > y1) y1 = ys[i];
        }
      };
      see(points.series.rate_deg_s.low, points.series.current_a.low);
      if (band) { see(band.series.rate_deg_s.low, band.series.low_a.low); see(band.series.rate_deg_s.low, band.series.high_a.low); }
      const px = (x1 - x0) * 0.05 || 0.1, py = (y1 - y0) * 0.07 || 0.1;
      x0 -= px; x1 += px; y0 -= py; y1 += py;
      const left = 44, bottom = 28;
      this.frame = { x0, x1, y0, y1, left, bottom };
      this.x = (v) => left + ((v - x0) / (x1 - x0)) * (w - left - 6);
      this.y = (v) => h - bottom - ((v - y0) / (y1 - y0)) * (h - bottom - 6);
    }
    background(renderer, w, h) {
      const c = colours();
      if (!this.data || !this.data.groups.length) {
        renderer.text(this.note || "…", 10, h / 2, c.faint);
        return;
      }
      this.scales(w, h);
      const f = this.frame;
      for (const v of R.ticks(f.x0, f.x1, 4)) {
        renderer.line(this.x(v), 6, this.x(v), h - f.bottom, c.rule, v === 0 ? 1.4 : 0.6);
        renderer.text(R.number(v, 2).replace(/\.?0+$/, ""), this.x(v), h - f.bottom + 8, c.faint, "center", 10);
      }
      for (const v of R.ticks(f.y0, f.y1, 4)) {
        renderer.line(f.left, this.y(v), w - 6, this.y(v), c.rule, v === 0 ? 1.4 : 0.6);
        renderer.text(R.number(v, 2).replace(/\.?0+$/, ""), f.left - 4, this.y(v), c.faint, "right", 10);
      }
      renderer.text("rate, deg/s", w - 8, h - 7, c.faint, "right", 10);
      renderer.text("A", 4, 12, c.faint, "left", 10);
      renderer.clip(f.left, 6, w - f.left - 6, h - f.bottom - 6);
      const band = this.data.groups[1];
      if (band) {
        const r = band.series.rate_deg_s.low, low = band.series.low_a.low, high = band.series.high_a.low, mid = band.series.expected_a.low;
        for (const side of [-1, 1]) {
          const at = [...r.keys()].filter((i) => r[i] * side > 0 && low[i] === low[i]);
          if (at.length < 2) continue;
          renderer.polygon(at.map((i) => [this.x(r[i]), this.y(low[i])]).concat([...at].reverse().map((i) => [this.x(r[i]), this.y(high[i])])), c.band);
          renderer.path(at.map((i) => this.x(r[i])), at.map((i) => this.y(mid[i])), at.length, c.ink, 1.2, 0.9, [5, 3]);
        }
      }
      const points = this.data.groups[0], colour = c.joint(this.joint.index);
      const rates = points.series.rate_deg_s.low, currents = points.series.current_a.low;
      for (let i = 0; i < rates.length; i += 1) renderer.area(this.x(rates[i]) - 0.7, this.y(currents[i]) - 0.7, 1.5, 1.5, colour + "70");
      renderer.unclip();
    }
    draw(fresh) {
      const w = this.canvas.parentElement.clientWidth, h = this.canvas.parentElement.clientHeight;
      if (!w) return;
      if (fresh || !this.back || this.size !== w + " " + h) {
        this.size = w + " " + h;
        this.back = this.back || document.createElement("canvas");
        this.background(new R.CanvasRenderer(this.back, w, h), w, h);
      }
      const renderer = new R.CanvasRenderer(this.canvas, w, h);
      renderer.c.drawImage(this.back, 0, 0, w, h);
      this.foreground(renderer);
    }
    foreground(renderer) {
      if (!this.x || !this.data || !this.data.groups.length || !this.joint) return;
      const { at, from, to } = this.view, c = colours(), name = this.joint.name;
      const span = Math.min(TRAIL_S, (to - from) / 4), xs = [], ys = [];
      for (let k = 40; k >= 0; k -= 1) {
        const t = at - (span * k) / 40;
        if (t < 0) continue;
        const r = this.cache.value(name + ".rate_deg_s", t, from, to).value;
        const i = this.cache.value(name + ".current_a", t, from, to).value;
        xs.push(this.x(r)); ys.push(r === r ? this.y(i) : NaN);
      }
      renderer.path(xs, ys, xs.length, c.ink, 1.6, 0.65);
      const x = xs[xs.length - 1], y = ys[ys.length - 1];
      if (y === y && x !== undefined) {
        renderer.mark("circle", x, y, 6, c.sheet);
        renderer.mark(this.joint.mark, x, y, 4.6, c.joint(this.joint.index));
        renderer.mark("ring", x, y, 7.2, c.ink);
      }
    }
    picture(renderer, w, h) { this.background(renderer, w, h); this.foreground(renderer); }
  };

  R.Posture = class {
    constructor(canvas, view, cache, config) {
      Object.assign(this, { canvas, view, cache, config });
      this.turn = -0.7; this.tilt = 0.5; this.data = null;
      this.base = config.base === "B" ? "B" : "A";
      let grip = null;
      canvas.addEventListener("pointerdown", (e) => { grip = [e.clientX, e.clientY, this.turn, this.tilt]; canvas.setPointerCapture(e.pointerId); });
      canvas.addEventListener("pointermove", (e) => {
        if (!grip) return;
        this.turn = grip[2] + (e.clientX - grip[0]) * 0.01;
        this.tilt = Math.max(-1.5, Math.min(1.5, grip[3] + (e.clientY - grip[1]) * 0.01));
        this.draw();
      });
      canvas.addEventListener("pointerup", () => { grip = null; });
      canvas.addEventListener("keydown", (e) => {
        const step = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, -0.15], ArrowDown: [0, 0.15] }[e.key];
        if (!step) return;
        this.turn += step[0]; this.tilt = Math.max(-1.5, Math.min(1.5, this.tilt + step[1]));
        this.draw(); e.preventDefault(); e.stopPropagation();
      });
    }
    async look() {
      if (this.config.posture !== "") return;
      const { from, to } = this.view;
      const key = this.base + from + " " + to;
      if (this.key === key) return;
      this.key = key;
      const got = await this.cache.get("posture", "posture", { from, to, base: this.base }, false);
      if (!got) { this.key = ""; return; }
      const g = got.groups[0];
      this.data = g ? { t: g.t, flat: g.series, count: got.points } : null;
      this.order = got.order;
      this.fit();
      this.cache.changed("posture");
    }
    fit() {
      if (!this.data) return;
      const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
      for (let k = 0; k < this.data.count; k += 1) for (let a = 0; a < 3; a += 1) {
        const v = this.data.flat["p" + k + "xyz"[a]].low;
        for (let i = 0; i < v.length; i += 1) { if (v[i] < low[a]) low[a] = v[i]; if (v[i] > high[a]) high[a] = v[i]; }
      }
      this.centre = low.map((v, a) => (v + high[a]) / 2);
      let far = 0.25;
      for (let k = 0; k < this.data.count; k += 1) {
        const [x, y, z] = ["x", "y", "z"].map((a) => this.data.flat["p" + k + a].low);
        for (let i = 0; i < x.length; i += 1) far = Math.max(far, (x[i] - this.centre[0]) ** 2 + (y[i] - this.centre[1]) ** 2 + (z[i] - this.centre[2]) ** 2);
      }
      this.reach = Math.sqrt(far);
      // The tip's speed along its path, in classes from standing to the window's fastest.
      const t = this.data.t, tip = ["x", "y", "z"].map((a) => this.data.flat["p" + (this.data.count - 1) + a].low);
      const speed = new Float64Array(t.length);
      for (let i = 1; i < t.length; i += 1) speed[i] = Math.hypot(...tip.map((v) => v[i] - v[i - 1])) / Math.max(1e-9, t[i] - t[i - 1]);
      this.fastest = speed.reduce((most, v) => Math.max(most, v), 0);
      this.classes = speed.map((v) => Math.min(CLASSES - 1, Math.floor((v / (this.fastest || 1)) * CLASSES)));
    }
    // Colour of a class of speed: from the faint ink to the strongest.
    tone(k) {
      const get = jb.theme.colour, a = rgb(get("band").startsWith("#") ? get("band") : get("accent")), b = rgb(get("act")), s = k / (CLASSES - 1);
      return "rgb(" + a.map((v, i) => Math.round(v + s * (b[i] - v))).join(",") + ")";
    }
    axis(k, t) {
      const ts = this.data.t, i = Math.min(ts.length - 1, R.nearest(ts, t));
      return ["x", "y", "z"].map((a) => this.data.flat["a" + k + a].low[i]);
    }
    point(k, t) {
      const ts = this.data.t, i = Math.max(1, Math.min(ts.length - 1, R.bisect(ts, t)));
      const share = ts.length > 1 ? Math.max(0, Math.min(1, (t - ts[i - 1]) / (ts[i] - ts[i - 1]))) : 0;
      return ["x", "y", "z"].map((a) => {
        const v = this.data.flat["p" + k + a].low;
        return ts.length > 1 ? v[i - 1] + share * (v[i] - v[i - 1]) : v[0];
      });
    }
    project(p, w, h) {
      const [x, y, z] = p.map((v, a) => v - this.centre[a]);
      const c = Math.cos(this.turn), s = Math.sin(this.turn), ct = Math.cos(this.tilt), st = Math.sin(this.tilt);
      const u = c * x - s * y, v = s * x + c * y;
      const scale = (Math.min(w, h) * 0.5 - 12) / this.reach;
      return [w / 2 + u * scale, h / 2 - (z * ct - v * st) * scale];
    }
    speedPath(renderer, tip, w, h) {
      const t = this.data.t, apart = t.length > 1 ? t[1] - t[0] : 0;
      const places = Array.from(t, (_, i) => this.project([tip[0][i], tip[1][i], tip[2][i]], w, h));
      for (let k = 0; k < CLASSES; k += 1) {
        const xs = [], ys = [], colour = this.tone(k);
        for (let i = 1; i < t.length; i += 1) {
          if (this.classes[i] !== k) continue;
          if (apart >= 3) { renderer.area(places[i][0] - 0.9, places[i][1] - 0.9, 1.8, 1.8, colour); continue; } // too far apart for a line
          xs.push(places[i - 1][0], places[i][0], 0); ys.push(places[i - 1][1], places[i][1], NaN);
        }
        if (xs.length) renderer.path(xs, ys, xs.length, colour, 1.8, 0.9);
      }
    }
    scene(renderer, w, h) {
      const c = colours();
      if (this.config.posture !== "") return this.config.posture;
      if (!this.data) { renderer.text("…", 10, h / 2, c.faint); return ""; }
      const n = this.data.count, at = this.view.at;
      const tip = ["x", "y", "z"].map((a) => this.data.flat["p" + (n - 1) + a].low);
      // The floor of the base's frame, so that depth is seen while it turns.
      const step = Math.pow(10, Math.floor(Math.log10(this.reach))) * (this.reach / Math.pow(10, Math.floor(Math.log10(this.reach))) > 4 ? 2 : 1);
      const ends = [0, 1].map((a) => [-1, 1].map((s) => Math.round((this.centre[a] + s * this.reach) / step) * step));
      for (const a of [0, 1]) for (let v = ends[a][0]; v <= ends[a][1] + 1e-9; v += step) {
        const p = a ? [ends[0][0], v, 0] : [v, ends[1][0], 0], q = a ? [ends[0][1], v, 0] : [v, ends[1][1], 0];
        const [u, w2] = [this.project(p, w, h), this.project(q, w, h)];
        renderer.line(u[0], u[1], w2[0], w2[1], c.rule, 0.5);
      }
      ["x", "y", "z"].forEach((name, a) => {
        const origin = this.project([0, 0, 0], w, h), end = this.project([0, 1, 2].map((i) => (i === a ? this.reach * 0.3 : 0)), w, h);
        renderer.line(origin[0], origin[1], end[0], end[1], c.faint, 1.2);
        renderer.text(name, end[0] + 4, end[1], c.faint, "left", 10);
      });
      const path = (from, to, colour, width, alpha) => {
        const first = R.bisect(this.data.t, from), end = R.bisect(this.data.t, to), xs = [], ys = [];
        for (let i = first; i < end; i += 1) { const q = this.project([tip[0][i], tip[1][i], tip[2][i]], w, h); xs.push(q[0]); ys.push(q[1]); }
        if (from < at && to >= at) { const q = this.project(this.point(n - 1, at), w, h); xs.push(q[0]); ys.push(q[1]); }
        if (this.data.t[1] - this.data.t[0] < 3) renderer.path(xs, ys, xs.length, colour, width, alpha);
        else xs.forEach((x, i) => renderer.area(x - 0.7, ys[i] - 0.7, 1.4, 1.4, colour)); // too far apart for a line
      };
      this.speedPath(renderer, tip, w, h);
      path(at - (this.view.to - this.view.from) / 8, at, c.ink, 1.8, 0.8);
      const points = [];
      for (let k = 0; k < n; k += 1) points.push(this.project(this.point(k, at), w, h));
      renderer.path(points.map((p) => p[0]), points.map((p) => p[1]), n, c.ink, 4.5, 0.85);
      renderer.area(points[0][0] - 9, points[0][1] - 2.5, 18, 5, c.ink);
      renderer.text("base " + this.base, points[0][0], points[0][1] + 11, c.faint, "center", 10);
      for (let k = 1; k < n - 1; k += 1) {
        const joint = this.config.joints.find((j) => j.name === this.order[k - 1]);
        if (!joint) continue;
        const front = joint.name === this.view.frontJoint().name;
        const way = this.axis(k - 1, at), long = this.reach * 0.11, here = this.point(k, at);
        const [u, q] = [-1, 1].map((s) => this.project(here.map((v, a) => v + s * long * way[a]), w, h));
        renderer.line(u[0], u[1], q[0], q[1], c.joint(joint.index), front ? 2 : 1.2); // what it turns about
        renderer.mark("circle", points[k][0], points[k][1], front ? 8 : 6, c.sheet);
        renderer.mark(joint.mark, points[k][0], points[k][1], front ? 6 : 4.2, c.joint(joint.index));
      }
      const carried = this.cache.word("payload_kg", at), end = points[n - 1];
      if (carried > 0) {
        renderer.area(end[0] - 7, end[1] - 7, 14, 14, c.band);
        renderer.frame(end[0] - 7, end[1] - 7, 14, 14, c.ink);
        renderer.text(R.number(carried, 0) + " kg", end[0] + 11, end[1] - 9, c.ink, "left", 10);
      } else renderer.mark("ring", end[0], end[1], 6, c.ink);
      if (this.fastest > 0) {
        for (let k = 0; k < CLASSES; k += 1) renderer.area(8 + 11 * k, h - 13, 11, 5, this.tone(k));
        renderer.text("tip 0 to " + R.number(this.fastest, 3) + " m/s", 12 + 11 * CLASSES, h - 10, c.faint, "left", 10);
      }
      const p = this.point(n - 1, at);
      return "Tip at x " + p.map((v) => R.number(v, 2)).join(", y ").replace(/, y ([^,]*)$/, ", z $1") + " m from base " + this.base;
    }
    draw() {
      const w = this.canvas.parentElement.clientWidth, h = this.canvas.parentElement.clientHeight;
      if (!w) return;
      this.words = this.scene(new R.CanvasRenderer(this.canvas, w, h), w, h);
    }
    picture(renderer, w, h) { this.scene(renderer, w, h); }
  };
})();
