// Beside the plots: the arm's posture in three dimensions, at the cursor.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay;
  const CLASSES = 6;
  const LETTER = 0.62; // of the size
  const LEAST = 0.5; // metres from the middle to the edge at least: an arm that stands still is no giant
  const rgb = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
  const P = (R.space = {});

  // points: of each point of the arm its [x, y, z] arrays, metres. The middle of the box about all of
  // them, and the radius of the ball about it that holds them.
  P.extent = function (points) {
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    for (const point of points) point.forEach((v, a) => {
      for (let i = 0; i < v.length; i += 1) { if (v[i] < low[a]) low[a] = v[i]; if (v[i] > high[a]) high[a] = v[i]; }
    });
    const centre = low.map((v, a) => (v + high[a]) / 2);
    let far = LEAST ** 2;
    for (const [x, y, z] of points) {
      for (let i = 0; i < x.length; i += 1) far = Math.max(far, (x[i] - centre[0]) ** 2 + (y[i] - centre[1]) ** 2 + (z[i] - centre[2]) ** 2);
    }
    return { centre, reach: Math.sqrt(far) };
  };
  // A point's speed along its path in m/s: its greatest, and of each sample the class from standing to that.
  P.speeds = function (t, point) {
    const speed = new Float64Array(t.length);
    for (let i = 1; i < t.length; i += 1) speed[i] = Math.hypot(...point.map((v) => v[i] - v[i - 1])) / Math.max(1e-9, t[i] - t[i - 1]);
    const fastest = speed.reduce((most, v) => Math.max(most, v), 0);
    return { fastest, classes: speed.map((v) => Math.min(CLASSES - 1, Math.floor((v / (fastest || 1)) * CLASSES))) };
  };
  // Where a point is between two samples, on the straight line; before and after them it stays.
  P.along = function (ts, point, t) {
    const i = Math.max(1, Math.min(ts.length - 1, R.bisect(ts, t)));
    const share = ts.length > 1 ? Math.max(0, Math.min(1, (t - ts[i - 1]) / (ts[i] - ts[i - 1]))) : 0;
    return point.map((v) => (ts.length > 1 ? v[i - 1] + share * (v[i] - v[i - 1]) : v[0]));
  };
  // Seen from afar, without perspective: turned about z by turn, then tilted towards the eye, radians.
  P.project = function (p, eye, w, h) {
    const [x, y, z] = p.map((v, a) => v - eye.centre[a]);
    const c = Math.cos(eye.turn), s = Math.sin(eye.turn), ct = Math.cos(eye.tilt), st = Math.sin(eye.tilt);
    const u = c * x - s * y, v = s * x + c * y;
    const scale = (Math.min(w, h) * 0.5 - 12) / eye.reach;
    return [w / 2 + u * scale, h / 2 - (z * ct - v * st) * scale];
  };
  // The floor's squares: their side, and from where to where along x and y.
  P.floor = function (centre, reach) {
    const power = Math.pow(10, Math.floor(Math.log10(reach))), step = power * (reach / power > 4 ? 2 : 1);
    return { step, ends: [0, 1].map((a) => [-1, 1].map((s) => Math.round((centre[a] + s * reach) / step) * step)) };
  };
  // Where words go: the first wanted before the others, each at the first of its places [dx, dy, align]
  // that lies in the picture and on nothing taken ([left, top, right, bottom]); one without a place is
  // left out. A letter is taken to be as wide as most of the font's are.
  P.labels = function (wanted, taken, w, h) {
    const boxes = taken.slice(), put = [];
    for (const { words, x, y, size, at, colour } of wanted) {
      const wide = words.length * size * LETTER;
      for (const [dx, dy, align] of at) {
        const left = x + dx - { left: 0, center: wide / 2, right: wide }[align], top = y + dy - size / 2;
        const right = left + wide, bottom = top + size;
        if (left < 0 || top < 0 || right > w || bottom > h) continue;
        if (boxes.some((b) => left < b[2] && b[0] < right && top < b[3] && b[1] < bottom)) continue;
        boxes.push([left, top, right, bottom]);
        put.push({ words, x: x + dx, y: y + dy, align, size, colour });
        break;
      }
    }
    return put;
  };
  // A colour between two, by class: share 0 is a, 1 is b.
  P.blend = (a, b, share) => "rgb(" + rgb(a).map((v, i) => Math.round(v + share * (rgb(b)[i] - v))).join(",") + ")";

  function colours() {
    const get = jb.theme.colour;
    return { ink: get("ink"), faint: get("faint"), rule: get("rule"), band: get("band"), sheet: get("sheet"), joint: (i) => get("joint-" + (i % 7)) };
  }

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
      const points = [];
      for (let k = 0; k < this.data.count; k += 1) points.push(this.flat(k));
      Object.assign(this, P.extent(points));
      // The tip's speed along its path, in classes from standing to the window's fastest.
      Object.assign(this, P.speeds(this.data.t, this.tip()));
    }
    flat(k) { return ["x", "y", "z"].map((a) => this.data.flat["p" + k + a].low); }
    // Colour of a class of speed: from the faint ink to the strongest.
    tone(k) {
      const get = jb.theme.colour, faint = get("band").startsWith("#") ? get("band") : get("accent");
      return P.blend(faint, get("act"), k / (CLASSES - 1));
    }
    axis(k, t) {
      const ts = this.data.t, i = Math.min(ts.length - 1, R.nearest(ts, t));
      return ["x", "y", "z"].map((a) => this.data.flat["a" + k + a].low[i]);
    }
    point(k, t) { return P.along(this.data.t, this.flat(k), t); }
    project(p, w, h) { return P.project(p, this, w, h); }
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
    tip() { return this.flat(this.data.count - 1); }
    scene(renderer, w, h) {
      if (this.config.posture !== "") return this.config.posture;
      if (!this.data) { renderer.text("…", 10, h / 2, colours().faint); return ""; }
      this.still(renderer, w, h);
      return this.moving(renderer, w, h);
    }
    // The ends of the base frame's axes.
    axes(w, h) {
      return [0, 1, 2].map((a) => this.project([0, 1, 2].map((i) => (i === a ? this.reach * 0.3 : 0)), w, h));
    }
    // What the cursor does not move: floor, axes, the window's path.
    still(renderer, w, h) {
      const c = colours(), tip = this.tip();
      // The floor of the base's frame, so that depth is seen while it turns.
      const { step, ends } = P.floor(this.centre, this.reach);
      for (const a of [0, 1]) for (let v = ends[a][0]; v <= ends[a][1] + 1e-9; v += step) {
        const p = a ? [ends[0][0], v, 0] : [v, ends[1][0], 0], q = a ? [ends[0][1], v, 0] : [v, ends[1][1], 0];
        const [u, w2] = [this.project(p, w, h), this.project(q, w, h)];
        renderer.line(u[0], u[1], w2[0], w2[1], c.rule, 0.5);
      }
      const origin = this.project([0, 0, 0], w, h);
      for (const end of this.axes(w, h)) renderer.line(origin[0], origin[1], end[0], end[1], c.faint, 1.2);
      this.speedPath(renderer, tip, w, h);
      if (this.fastest > 0) {
        for (let k = 0; k < CLASSES; k += 1) renderer.area(8 + 11 * k, h - 13, 11, 5, this.tone(k));
        renderer.text("tip 0 to " + R.number(this.fastest, 3) + " m/s", 12 + 11 * CLASSES, h - 10, c.faint, "left", 10);
      }
    }
    moving(renderer, w, h) {
      const c = colours(), n = this.data.count, at = this.view.at, tip = this.tip();
      const path = (from, to, colour, width, alpha) => {
        const first = R.bisect(this.data.t, from), end = R.bisect(this.data.t, to), xs = [], ys = [];
        for (let i = first; i < end; i += 1) { const q = this.project([tip[0][i], tip[1][i], tip[2][i]], w, h); xs.push(q[0]); ys.push(q[1]); }
        if (from < at && to >= at) { const q = this.project(this.point(n - 1, at), w, h); xs.push(q[0]); ys.push(q[1]); }
        if (this.data.t[1] - this.data.t[0] < 3) renderer.path(xs, ys, xs.length, colour, width, alpha);
        else xs.forEach((x, i) => renderer.area(x - 0.7, ys[i] - 0.7, 1.4, 1.4, colour)); // too far apart for a line
      };
      path(at - (this.view.to - this.view.from) / 8, at, c.ink, 1.8, 0.8);
      const points = [];
      for (let k = 0; k < n; k += 1) points.push(this.project(this.point(k, at), w, h));
      renderer.path(points.map((p) => p[0]), points.map((p) => p[1]), n, c.ink, 4.5, 0.85);
      renderer.area(points[0][0] - 9, points[0][1] - 2.5, 18, 5, c.ink);
      // What is carried goes before the base's name, and that before the axes': they turn with it.
      const wanted = [], taken = [[points[0][0] - 9, points[0][1] - 3, points[0][0] + 9, points[0][1] + 3], [0, h - 16, w, h]];
      for (let k = 1; k < n - 1; k += 1) {
        const joint = this.config.joints.find((j) => j.name === this.order[k - 1]);
        if (!joint) continue;
        const front = joint.name === this.view.frontJoint().name;
        const way = this.axis(k - 1, at), long = this.reach * 0.11, here = this.point(k, at);
        const [u, q] = [-1, 1].map((s) => this.project(here.map((v, a) => v + s * long * way[a]), w, h));
        renderer.line(u[0], u[1], q[0], q[1], c.joint(joint.index), front ? 2 : 1.2); // what it turns about
        renderer.mark("circle", points[k][0], points[k][1], front ? 8 : 6, c.sheet);
        renderer.mark(joint.mark, points[k][0], points[k][1], front ? 6 : 4.2, c.joint(joint.index));
        const r = front ? 8 : 6;
        taken.push([points[k][0] - r, points[k][1] - r, points[k][0] + r, points[k][1] + r]);
      }
      const carried = this.cache.word("payload_kg", at), end = points[n - 1];
      taken.push([end[0] - 7, end[1] - 7, end[0] + 7, end[1] + 7]);
      if (carried > 0) {
        renderer.area(end[0] - 7, end[1] - 7, 14, 14, c.band);
        renderer.frame(end[0] - 7, end[1] - 7, 14, 14, c.ink);
        const at = [[11, -9, "left"], [11, 9, "left"], [-11, -9, "right"], [-11, 9, "right"], [0, -16, "center"], [0, 16, "center"]];
        wanted.push({ words: R.number(carried, 0) + " kg", x: end[0], y: end[1], size: 10, colour: c.ink, at });
      } else for (const s of [-1, 1]) renderer.line(end[0] - 6, end[1] - 6 * s, end[0] + 6, end[1] + 6 * s, c.ink, 1.8); // no joint's mark
      const around = [[0, 11, "center"], [0, 20, "center"], [-12, 11, "right"], [12, 11, "left"], [0, -14, "center"], [-14, 0, "right"], [14, 0, "left"]];
      wanted.push({ words: "base " + this.base, x: points[0][0], y: points[0][1], size: 10, colour: c.faint, at: around });
      const beside = [[4, 0, "left"], [0, -7, "center"], [-4, 0, "right"], [0, 7, "center"]];
      this.axes(w, h).forEach(([x, y], a) => wanted.push({ words: "xyz"[a], x, y, size: 10, colour: c.faint, at: beside }));
      for (const l of P.labels(wanted, taken, w, h)) renderer.text(l.words, l.x, l.y, l.colour, l.align, l.size);
      const p = this.point(n - 1, at);
      return "Tip at x " + p.map((v) => R.number(v, 2)).join(", y ").replace(/, y ([^,]*)$/, ", z $1") + " m from base " + this.base;
    }
    draw() {
      const w = this.canvas.parentElement.clientWidth, h = this.canvas.parentElement.clientHeight;
      if (!w) return;
      const renderer = new R.CanvasRenderer(this.canvas, w, h);
      if (!this.data || this.config.posture !== "") { this.words = this.scene(renderer, w, h); return; }
      const key = [w, h, this.turn, this.tilt, this.base, jb.theme.dark(), window.devicePixelRatio].join(" ");
      if (this.drawn !== key || this.drawnData !== this.data) { // once, not at every frame
        this.drawn = key; this.drawnData = this.data;
        this.back = this.back || document.createElement("canvas");
        this.still(new R.CanvasRenderer(this.back, w, h), w, h);
      }
      renderer.c.drawImage(this.back, 0, 0, w, h);
      this.words = this.moving(renderer, w, h);
    }
    picture(renderer, w, h) { this.scene(renderer, w, h); }
  };
})();
