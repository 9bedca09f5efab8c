// Two renderers with one interface: a canvas for the screen, SVG text for keeping.
(function () {
  "use strict";
  const R = window.jointbook.replay;

  // Corners of a joint's mark, as even in size to the eye as they can be.
  R.shape = function (kind, x, y, r) {
    switch (kind) {
      case "square": return [[x - r, y - r], [x + r, y - r], [x + r, y + r], [x - r, y + r]];
      case "triangle": return [[x, y - r * 1.2], [x + r * 1.1, y + r * 0.9], [x - r * 1.1, y + r * 0.9]];
      case "diamond": return [[x, y - r * 1.3], [x + r * 1.3, y], [x, y + r * 1.3], [x - r * 1.3, y]];
      case "wedge": return [[x - r * 1.1, y - r * 0.9], [x + r * 1.1, y - r * 0.9], [x, y + r * 1.2]];
      case "cross": {
        const a = r * 0.35, b = r * 1.15;
        return [[x - a, y - b], [x + a, y - b], [x + a, y - a], [x + b, y - a], [x + b, y + a], [x + a, y + a],
          [x + a, y + b], [x - a, y + b], [x - a, y + a], [x - b, y + a], [x - b, y - a], [x - a, y - a]];
      }
      default: return null; // circle and ring
    }
  };
  const shape = R.shape;
  const ONE = [[0, 0]], SIDES = [[-1, -0.5], [1, -0.5], [0, 1]];
  const FEW = 60; // points up to which a line's width costs nothing
  // How a line of n points is drawn on a canvas of so many device pixels a pixel (ratio). A line of one
  // device pixel costs a browser without a graphics card a fifteenth of a wider one (measured: 23 for
  // 411 ms of 35 lines of 552 columns), so thin lines are that wide and a thicker one is three of them
  // side by side.
  R.stroke = function (width, alpha, n, dashed, ratio) {
    const wide = width * ratio, hair = 1 / ratio;
    const three = wide > 1.3 && wide < 2.5 && n > FEW && !dashed;
    return {
      three, reach: three ? (width - hair) / 2 : 0, width: three || wide <= 1.3 ? hair : width,
      alpha: three ? 1 - (1 - alpha) ** 0.6 : alpha, // they lie over one another
    };
  };
  R.FADED = "a8"; // opacity of marks of the second rank: 3:1 or more against the dark sheet (WCAG 2.2, 1.4.11)
  // On a light sheet nothing fades: the joints' hues are as light there as can be seen.
  R.faded = () => (window.jointbook.theme.dark() ? R.FADED : "ff");
  R.behind = () => (window.jointbook.theme.dark() ? 0.75 : 1); // lines of joints that are not in front
  R.PRINT_MM = 180; // as wide as the text of a printed page
  R.PRINT_SCALE = 3; // pixels of a saved picture for one on the screen
  R.FONT = 'system-ui, "Segoe UI", "DejaVu Sans", sans-serif';

  R.CanvasRenderer = class {
    constructor(canvas, width, height, scale) {
      const dpr = scale || window.devicePixelRatio || 1;
      if (canvas.width !== Math.round(width * dpr) || canvas.height !== Math.round(height * dpr)) {
        canvas.width = Math.round(width * dpr);
        canvas.height = Math.round(height * dpr);
        canvas.style.width = width + "px";
        canvas.style.height = height + "px";
      }
      this.ratio = dpr;
      this.c = canvas.getContext("2d");
      this.c.setTransform(dpr, 0, 0, dpr, 0, 0);
      this.c.clearRect(0, 0, width, height);
    }
    area(x, y, w, h, colour) { this.c.fillStyle = colour; this.c.fillRect(x, y, w, h); }
    frame(x, y, w, h, colour) { this.c.strokeStyle = colour; this.c.lineWidth = 1; this.c.strokeRect(x, y, w, h); }
    line(x0, y0, x1, y1, colour, width, dash) {
      const c = this.c;
      c.strokeStyle = colour; c.lineWidth = width || 1; c.setLineDash(dash || []);
      c.beginPath(); c.moveTo(x0, y0); c.lineTo(x1, y1); c.stroke(); c.setLineDash([]);
    }
    // xs, ys: n points; NaN in ys breaks the line.
    path(xs, ys, n, colour, width, alpha, dash) {
      const c = this.c, how = R.stroke(width, alpha, n, dash, this.ratio);
      c.strokeStyle = colour; c.lineWidth = how.width; c.globalAlpha = how.alpha;
      c.lineJoin = "bevel"; c.setLineDash(dash || []);
      for (const [dx, dy] of how.three ? SIDES : ONE) this.along(xs, ys, n, dx * how.reach, dy * how.reach);
      c.globalAlpha = 1; c.setLineDash([]);
    }
    along(xs, ys, n, dx, dy) {
      const c = this.c;
      c.beginPath();
      let down = false;
      for (let i = 0; i < n; i += 1) {
        if (ys[i] !== ys[i]) { down = false; continue; }
        if (down) c.lineTo(xs[i] + dx, ys[i] + dy);
        else { c.moveTo(xs[i] + dx, ys[i] + dy); down = true; }
      }
      c.stroke();
    }
    polygon(points, colour) {
      const c = this.c;
      c.fillStyle = colour; c.beginPath();
      points.forEach((p, i) => (i ? c.lineTo(p[0], p[1]) : c.moveTo(p[0], p[1])));
      c.closePath(); c.fill();
    }
    mark(kind, x, y, r, colour) {
      const points = shape(kind, x, y, r);
      if (points) return this.polygon(points, colour);
      const c = this.c;
      c.beginPath(); c.arc(x, y, r, 0, 6.2832);
      if (kind === "ring") { c.strokeStyle = colour; c.lineWidth = 1.8; c.stroke(); }
      else { c.fillStyle = colour; c.fill(); }
      return undefined;
    }
    text(words, x, y, colour, align, size, weight) {
      const c = this.c;
      c.fillStyle = colour; c.textAlign = align || "left"; c.textBaseline = "middle";
      c.font = (weight || 400) + " " + (size || 11) + "px " + R.FONT;
      c.fillText(words, x, y);
    }
    clip(x, y, w, h) { this.c.save(); this.c.beginPath(); this.c.rect(x, y, w, h); this.c.clip(); }
    unclip() { this.c.restore(); }
    move(dx, dy) { this.c.save(); this.c.translate(dx, dy); }
    back() { this.c.restore(); }
  };

  const escape = (s) => String(s).replace(/[&<>"']/g, (c) => "&#" + c.charCodeAt(0) + ";");
  const n1 = (v) => Math.round(v * 100) / 100;
  R.SvgRenderer = class {
    constructor(width, height, paper) {
      this.size = [width, height];
      this.parts = [`<rect width="${width}" height="${height}" fill="${escape(paper)}"/>`];
      this.clips = 0;
    }
    area(x, y, w, h, colour) { this.parts.push(`<rect x="${n1(x)}" y="${n1(y)}" width="${n1(w)}" height="${n1(h)}" fill="${escape(colour)}"/>`); }
    frame(x, y, w, h, colour) { this.parts.push(`<rect x="${n1(x)}" y="${n1(y)}" width="${n1(w)}" height="${n1(h)}" fill="none" stroke="${escape(colour)}"/>`); }
    line(x0, y0, x1, y1, colour, width, dash) {
      this.parts.push(`<line x1="${n1(x0)}" y1="${n1(y0)}" x2="${n1(x1)}" y2="${n1(y1)}" stroke="${escape(colour)}" stroke-width="${width || 1}"${dash ? ` stroke-dasharray="${dash.join(" ")}"` : ""}/>`);
    }
    path(xs, ys, n, colour, width, alpha, dash) {
      let d = "", down = false;
      for (let i = 0; i < n; i += 1) {
        if (ys[i] !== ys[i]) { down = false; continue; }
        d += (down ? "L" : "M") + n1(xs[i]) + " " + n1(ys[i]);
        down = true;
      }
      if (d) this.parts.push(`<path d="${d}" fill="none" stroke="${escape(colour)}" stroke-width="${width}" stroke-opacity="${alpha}" stroke-linejoin="bevel"${dash ? ` stroke-dasharray="${dash.join(" ")}"` : ""}/>`);
    }
    polygon(points, colour) {
      this.parts.push(`<polygon points="${points.map((p) => n1(p[0]) + "," + n1(p[1])).join(" ")}" fill="${escape(colour)}"/>`);
    }
    mark(kind, x, y, r, colour) {
      const points = shape(kind, x, y, r);
      if (points) return this.polygon(points, colour);
      const look = kind === "ring" ? `fill="none" stroke="${escape(colour)}" stroke-width="1.8"` : `fill="${escape(colour)}"`;
      this.parts.push(`<circle cx="${n1(x)}" cy="${n1(y)}" r="${r}" ${look}/>`);
      return undefined;
    }
    text(words, x, y, colour, align, size, weight) {
      const anchor = { right: "end", center: "middle" }[align] || "start";
      this.parts.push(`<text x="${n1(x)}" y="${n1(y)}" fill="${escape(colour)}" text-anchor="${anchor}" dominant-baseline="central" font-size="${size || 11}" font-weight="${weight || 400}" font-family="${escape(R.FONT)}">${escape(words)}</text>`);
    }
    clip(x, y, w, h) {
      this.clips += 1;
      this.parts.push(`<clipPath id="c${this.clips}"><rect x="${n1(x)}" y="${n1(y)}" width="${n1(w)}" height="${n1(h)}"/></clipPath><g clip-path="url(#c${this.clips})">`);
    }
    unclip() { this.parts.push("</g>"); }
    move(dx, dy) { this.parts.push(`<g transform="translate(${n1(dx)} ${n1(dy)})">`); }
    back() { this.parts.push("</g>"); }
    toString() {
      const [w, h] = this.size;
      return `<svg xmlns="http://www.w3.org/2000/svg" width="${R.PRINT_MM}mm" height="${n1((R.PRINT_MM * h) / w)}mm" viewBox="0 0 ${w} ${h}">${this.parts.join("")}</svg>`;
    }
  };
})();
