// Beside the plots: the current–speed plane.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay;
  const TRAIL_S = 6;
  const TOP = 6, NOTE = 30; // room above the plot: as it is, and under a note of two lines

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
      const left = 44, bottom = 28, top = this.leftOut() ? NOTE : TOP;
      this.frame = { x0, x1, y0, y1, left, bottom, top };
      this.x = (v) => left + ((v - x0) / (x1 - x0)) * (w - left - 6);
      this.y = (v) => h - bottom - ((v - y0) / (y1 - y0)) * (h - bottom - top);
    }
    // Whether the joint stands under its brake at the cursor: no moving joint's band holds there.
    braked() {
      const told = (q) => this.cache.brake(this.joint.name + "." + q, this.view.at);
      return Boolean(this.joint) && R.isBraked(told("brake_engaged"), told("brake_engage_cmd"));
    }
    // Whether there is a band that is not drawn, which a note above the plot tells.
    leftOut() { return Boolean(this.data.groups[1]) && this.braked(); }
    background(renderer, w, h) {
      const c = colours();
      if (!this.data || !this.data.groups.length) {
        renderer.text(this.note || "…", 10, h / 2, c.faint);
        return;
      }
      this.scales(w, h);
      const f = this.frame;
      for (const v of R.ticks(f.x0, f.x1, 4)) {
        renderer.line(this.x(v), f.top, this.x(v), h - f.bottom, c.rule, v === 0 ? 1.4 : 0.6);
        renderer.text(R.number(v, 2).replace(/\.?0+$/, ""), this.x(v), h - f.bottom + 8, c.faint, "center", 10);
      }
      for (const v of R.ticks(f.y0, f.y1, 4)) {
        renderer.line(f.left, this.y(v), w - 6, this.y(v), c.rule, v === 0 ? 1.4 : 0.6);
        renderer.text(R.number(v, 2).replace(/\.?0+$/, ""), f.left - 4, this.y(v), c.faint, "right", 10);
      }
      renderer.text("rate, deg/s", w - 8, h - 7, c.faint, "right", 10);
      renderer.text("A", 4, f.top + 6, c.faint, "left", 10);
      if (this.leftOut()) {
        renderer.text(this.joint.name + " braked at the cursor:", f.left + 4, 8, c.faint, "left", 10);
        renderer.text("a moving joint's band left out", f.left + 4, 20, c.faint, "left", 10);
      }
      renderer.clip(f.left, f.top, w - f.left - 6, h - f.bottom - f.top);
      const band = this.data.groups[1];
      if (band && !this.leftOut()) {
        const r = band.series.rate_deg_s.low, low = band.series.low_a.low, high = band.series.high_a.low, mid = band.series.expected_a.low;
        for (const side of [-1, 1]) {
          const at = [...r.keys()].filter((i) => r[i] * side > 0 && low[i] === low[i]);
          if (at.length < 2) continue;
          renderer.polygon(at.map((i) => [this.x(r[i]), this.y(low[i])]).concat([...at].reverse().map((i) => [this.x(r[i]), this.y(high[i])])), c.band);
          renderer.path(at.map((i) => this.x(r[i])), at.map((i) => this.y(mid[i])), at.length, c.ink, 1.2, 0.9, [5, 3]);
        }
      }
      const points = this.data.groups[0], colour = c.joint(this.joint.index), faded = R.faded();
      const rates = points.series.rate_deg_s.low, currents = points.series.current_a.low;
      for (let i = 0; i < rates.length; i += 1) renderer.area(this.x(rates[i]) - 0.7, this.y(currents[i]) - 0.7, 1.5, 1.5, colour + faded);
      renderer.unclip();
    }
    draw(fresh) {
      const w = this.canvas.parentElement.clientWidth, h = this.canvas.parentElement.clientHeight;
      if (!w) return;
      const braked = this.braked();
      if (braked !== this.wasBraked) { this.wasBraked = braked; fresh = true; }
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
        if (this.braked() && this.joint.mark !== "ring") renderer.mark(this.joint.mark, x, y, 2.6, c.sheet); // hollow
        for (const [u, v] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { // the cursor's mark: no joint's
          renderer.line(x + 7 * u, y + 7 * v, x + 12 * u, y + 12 * v, c.ink, 1.6);
        }
      }
    }
    picture(renderer, w, h) { this.background(renderer, w, h); this.foreground(renderer); }
  };
})();
