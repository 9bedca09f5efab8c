// Buttons, the strip, the table of values, and saving. Pointers: replay_8_pointer.js.
// Longer than 245 lines because every control of one bar is set up and renewed from the same
// view.
(function () {
  "use strict";
  const jb = window.jointbook, R = jb.replay;
  const el = (id) => document.getElementById(id);
  const STROKES = { note: "›", look: "››", act: "›››" }; // theme.SEVERITY_SHAPES: none is a joint's mark
  const SAID_MS = 8000;
  const COLUMNS = [
    ["angle_deg", 3], ["rate_deg_s", 3], ["current_a", 3], ["expected_a", 2], ["residual_a", 3], ["temperature_c", 1], ["load_nm", 1],
  ];

  R.Controls = class {
    constructor(player) {
      this.player = player; this.view = player.view; this.config = player.config; this.cache = player.cache;
      const press = (id, act) => { const b = el(id); if (b) b.onclick = act; };
      press("rp-play", () => player.play());
      press("rp-back", () => player.stepSample(-1)); press("rp-forth", () => player.stepSample(1));
      press("rp-back-s", () => player.stepSeconds(-1)); press("rp-forth-s", () => player.stepSeconds(1));
      press("rp-flag-back", () => player.jumpFlag(-1)); press("rp-flag-forth", () => player.jumpFlag(1));
      press("rp-way", () => { this.view.way *= -1; this.playing(); });
      press("rp-loop", () => player.setLoop()); press("rp-mark", () => player.setMark());
      press("rp-pin-open", () => this.openPin()); press("rp-solo", () => player.solo()); press("rp-zero", () => player.setZero());
      press("rp-in", () => player.zoom(0.5)); press("rp-out", () => player.zoom(2));
      press("rp-all", () => player.setWindow(0, this.config.length)); press("rp-to-flag", () => player.zoomFlag());
      press("rp-base", () => { player.posture.base = player.posture.base === "A" ? "B" : "A"; player.posture.key = ""; player.posture.look(); this.playing(); });
      for (const kind of ["png", "svg"]) for (const what of ["plots", "plane", "posture"]) press(`rp-${kind}-${what}`, () => this.save(what, kind));
      for (const kind of ["csv", "parquet"]) press("rp-" + kind, () => this.keep(kind));
      for (const kind of ["csv", "parquet"]) press("rp-" + kind + "-measure", () => this.keepMeasure(kind));
      const rate = el("rp-rate");
      rate.onchange = () => { this.view.rate = Number(rate.value); this.playing(); rate.blur(); };
      const picker = el("rp-picker");
      picker.value = this.config.session;
      picker.onchange = () => jb.address.go("replay", { session: picker.value });
      this.strip = el("rp-strip"); this.stripCanvas = el("rp-strip-canvas"); this.stripCursor = el("rp-strip-cursor");
      for (const id of ["rp-posture", "rp-base"]) el(id).hidden = this.config.posture !== "";
      R.pointer(this);
      this.rows();
      this.playing();
    }
    // What a key did is told for a while: later it would speak of another cursor. Trouble stays.
    say(text, trouble) {
      const s = el("rp-said");
      if (!s) return;
      clearTimeout(this.saying);
      s.textContent = text; s.title = text;
      s.classList.toggle("trouble", Boolean(trouble));
      if (text && !trouble) this.saying = setTimeout(() => this.say(""), SAID_MS);
    }
    trouble(text) { this.say(text, true); }
    playing() {
      const v = this.view, b = el("rp-play");
      b.textContent = v.playing ? "Pause" : "Play";
      b.setAttribute("aria-pressed", String(v.playing));
      el("rp-way").textContent = v.way > 0 ? "Forwards" : "Backwards";
      el("rp-loop").setAttribute("aria-pressed", String(Boolean(v.loop)));
      el("rp-mark").setAttribute("aria-pressed", String(v.mark !== null));
      el("rp-solo").setAttribute("aria-pressed", String(Boolean(v.before))); el("rp-zero").setAttribute("aria-pressed", String(Boolean(v.zero)));
      el("rp-rate").value = String(v.rate);
      if (el("rp-base")) el("rp-base").textContent = "From end " + (this.player.posture.base === "A" ? "B" : "A");
    }
    faster(way) {
      const i = R.RATES.indexOf(this.view.rate) + way;
      if (R.RATES[i] !== undefined) { this.view.rate = R.RATES[i]; this.playing(); this.say("Plays at " + R.RATES[i] + "×"); }
    }

    // --- the table of values --------------------------------------------------
    rows() {
      const body = el("rp-values"), v = this.view;
      body.textContent = "";
      this.cells = [];
      for (const j of this.config.joints) {
        const tr = document.createElement("tr");
        tr.className = j.name === v.front ? "front" : "";
        const head = document.createElement("th");
        head.scope = "row";
        const box = Object.assign(document.createElement("input"), { type: "checkbox", checked: v.isShown(j.name) });
        box.setAttribute("aria-label", "Show " + j.name);
        box.onchange = () => {
          if (box.checked) v.shown.add(j.name); else v.shown.delete(j.name);
          if (!v.shown.size) v.shown.add(j.name);
          this.rows(); this.player.dirty(); this.player.settle();
        };
        const name = document.createElement("button");
        name.className = "rp-joint";
        name.title = [j.role, j.unit && "unit " + j.unit].filter(Boolean).join(", ");
        name.setAttribute("aria-pressed", String(j.name === v.front));
        const mark = document.createElement("span");
        mark.className = "mark mark-" + j.mark;
        mark.style.cssText = `--mark: var(--joint-${j.index % 7}); --size: 11px`;
        mark.setAttribute("aria-hidden", "true");
        name.append(mark, " " + j.name);
        name.onclick = () => this.player.bring(j.name);
        head.append(box, name);
        tr.append(head);
        const cells = {};
        for (const [q] of COLUMNS) { const td = document.createElement("td"); td.dataset.q = q; td.dataset.joint = j.name; tr.append(td); cells[q] = td; }
        const brake = document.createElement("td");
        brake.className = "rp-brake";
        tr.append(brake);
        cells.brake = brake;
        body.append(tr);
        this.cells.push([j, cells]);
      }
      this.player.tick();
    }
    readouts() {
      const v = this.view;
      let exact = true;
      for (const [j, cells] of this.cells) {
        for (const [q, digits] of COLUMNS) {
          const got = this.cache.value(j.name + "." + q, v.at, v.from, v.to);
          if (!got.exact && got.value === got.value) exact = false;
          const error = q === "load_nm" ? this.cache.value(j.name + ".load_se_nm", v.at, v.from, v.to).value : NaN;
          put(cells[q], R.beyondNoise(got.value, error, digits));
          if (q === "residual_a") {
            const low = this.cache.value(j.name + ".low_a", v.at, v.from, v.to).value, high = this.cache.value(j.name + ".high_a", v.at, v.from, v.to).value;
            const now = this.cache.value(j.name + ".current_a", v.at, v.from, v.to).value;
            cells[q].classList.toggle("outside", now < low || now > high);
          }
        }
        const state = this.cache.brake(j.name + ".brake_engaged", v.at), asked = this.cache.brake(j.name + ".brake_engage_cmd", v.at);
        put(cells.brake, R.brakeWords(state, asked));
      }
      put(el("rp-time"), R.day(v.at, this.config.zero, this.config.decimals) + " " + R.clock(v.at, this.config.zero, this.config.decimals));
      put(el("rp-since"), "+" + v.at.toFixed(this.config.decimals) + " s");
      put(el("rp-exact"), exact ? "as logged" : "≈ as drawn");
      const say = (name, words) => { const w = this.cache.word(name, v.at); return w === undefined || w === null || w === false ? "" : words(w); };
      put(el("rp-words"), [say("phase", (w) => w), say("base_end", (w) => "base " + w), say("payload_kg", (w) => R.number(w, 0) + " kg"),
        say("person_on_tip", () => "a person on the tip")].filter(Boolean).join(" · "));
      const front = v.frontJoint(), at = (q) => this.cache.value(front.name + "." + q, v.at, v.from, v.to).value;
      const asked = at("rate_cmd_deg_s"), angle = at("angle_cmd_deg"), target = at("current_target_a"), torque = at("torque_nm");
      const limit = (value, unit, name) => (value ? `${name} ${value} ${unit}` : "");
      put(el("rp-front"), front.name + (front.role ? ", " + front.role : "") + ": " + [
        asked === asked ? "commanded " + R.number(asked, 3) + " deg/s" : "",
        angle === angle ? "commanded " + R.number(angle, 3) + " deg" : "",
        target === target ? "target current " + R.number(target, 3) + " A" : "",
        torque === torque ? "torque " + R.number(torque, 1) + " N m" : "",
        limit(front.rate_limit, "deg/s", "rate limit"), limit(front.current_limit, "A", "current limit"),
        front.angle_range.length ? "range " + front.angle_range.map((a) => R.number(a, 0)).join(" to ") + " deg" : "",
      ].filter(Boolean).join(", "));
      put(el("rp-tip"), this.player.posture.words || "");
      const step = v.to - v.from;
      put(el("rp-window"), "window " + R.span(step) + (this.cache.share < 1 ? (this.config.baseline ? ", expected current " : ", load ") + Math.round(100 * this.cache.share) + " % computed" : ""));
      if (el("rp-pin") && !el("rp-pin").hidden) this.pinHead();
      if (!v.playing) this.strip.setAttribute("aria-valuetext", R.clock(v.at, this.config.zero, 3));
      this.strip.setAttribute("aria-valuenow", v.at.toFixed(3));
      const here = this.flagHere();
      if (here && here !== this.flag) this.showFlag(here);
    }
    // Of several flags over the cursor: the one asked for, then the front joint's, then the shortest.
    flagHere() {
      const v = this.view, over = this.config.flags.filter((f) => f.start <= v.at + 1e-6 && v.at <= f.end + 1e-6);
      const asked = this.config.flags.find((f) => f.flag === v.flag);
      if (asked && (over.includes(asked) || !over.length)) return asked;
      const mine = over.filter((f) => f.joint === v.front);
      return (mine.length ? mine : over).sort((a, b) => a.end - a.start - (b.end - b.start))[0];
    }
    showFlag(f) {
      this.flag = f;
      const card = el("rp-flag");
      card.textContent = "";
      if (!f) return;
      const head = document.createElement("p");
      const mark = document.createElement("span");
      mark.className = "severity " + f.severity;
      mark.textContent = (STROKES[f.severity] || "") + " " + f.severity;
      head.append(mark, ` ${f.joint || "every joint"} · ${f.kind_words} · score ${f.score_words}`);
      const words = document.createElement("p");
      words.textContent = f.summary;
      const link = document.createElement("a");
      link.textContent = "Open the event";
      link.href = "/event" + jb.address.search({ session: this.config.session, flag: f.flag });
      link.onclick = (e) => {
        if (e.ctrlKey || e.metaKey || e.shiftKey) return;
        e.preventDefault();
        jb.address.go("event", { session: this.config.session, flag: f.flag });
      };
      card.append(head, words);
      if (f.holds) {
        const holds = document.createElement("p");
        holds.className = "rp-holds";
        holds.textContent = "Verdict: " + f.holds;
        card.append(holds);
      }
      if (f.caution) {
        const caution = document.createElement("p");
        caution.className = "caution";
        const word = document.createElement("strong");
        word.textContent = "Caution. ";
        caution.append(word, f.caution);
        card.append(caution);
      }
      card.append(link);
    }

    // --- measuring between two cursors ------------------------------------------
    async measure() {
      const v = this.view, card = el("rp-measure");
      this.playing();
      card.hidden = v.mark === null;
      if (v.mark === null) { this.measured = ""; return; }
      const all = v.measureAll, joints = all ? v.shownJoints().map((j) => j.name).join(",") : v.front;
      const key = [v.mark, v.at, joints, all].join(" ");
      if (key === this.measured) return;
      this.measured = key;
      const got = await this.cache.get("measure", "measure", { from: v.mark, to: v.at, joints }, true);
      if (!got) { this.measured = ""; return; }
      this.measures = got.rows;
      const turn = el("rp-measure-all");
      if (turn) { turn.textContent = all ? "Measure " + v.front + " alone" : "Measure all shown"; turn.onclick = () => this.turnMeasure(); }
      put(el("rp-measure-head"), `${all ? "Joints shown" : v.front}, from the second cursor to the cursor: ${R.number(v.at - v.mark, 4)} s`);
      const body = el("rp-measure-rows");
      body.textContent = "";
      const names = { angle_deg: "angle, deg", rate_deg_s: "rate, deg/s", angle_cmd_deg: "commanded, deg", rate_cmd_deg_s: "commanded, deg/s", current_a: "current, A", current_target_a: "target current, A", torque_nm: "torque, N m", temperature_c: "temperature, °C" };
      for (const r of got.rows) {
        const tr = document.createElement("tr");
        const th = document.createElement("th");
        th.scope = "row"; th.textContent = (all ? r.joint + " " : "") + (names[r.quantity] || r.quantity);
        tr.append(th);
        for (const k of ["difference", "slope", "mean", "integral"]) { const td = document.createElement("td"); td.textContent = R.number(r[k], 3); tr.append(td); }
        body.append(tr);
      }
    }

    turnMeasure() { this.view.measureAll = !this.view.measureAll; this.measure(); }

    // --- a pin at the cursor: Dash writes it, on record ---------------------------
    openPin() {
      const card = el("rp-pin"), text = el("rp-pin-text");
      if (!card || !text) return;
      if (!card.hidden) return this.closePin();
      if (this.view.playing) this.player.play(false);
      this.player.publish();
      card.hidden = false;
      card.onkeydown = (event) => { if (event.key === "Escape") this.closePin(); };
      this.pinHead();
      text.focus();
    }
    closePin() { el("rp-pin").hidden = true; this.strip.focus({ preventScroll: true }); }
    // Where the pin would go: the cursor may move while the form is open.
    pinHead() { put(el("rp-pin-head"), "Pin at " + R.clock(this.view.at, this.config.zero, this.config.decimals) + ", " + this.view.front); }

    // --- the strip: the whole session --------------------------------------------
    drawStrip() {
      const w = this.strip.clientWidth, h = 34, length = this.config.length;
      if (!w) return;
      const get = jb.theme.colour, renderer = new R.CanvasRenderer(this.stripCanvas, w, h);
      this.sx = (t) => (t / length) * w;
      const v = this.view, front = v.frontJoint();
      const whole = this.cache.whole.logged, s = whole && whole.names.get(front.name + ".current_a");
      if (s) {
        let top = 1e-9;
        for (let i = 0; i < s.low.length; i += 1) top = Math.max(top, s.low[i] <= s.high[i] ? Math.max(Math.abs(s.low[i]), Math.abs(s.high[i])) : 0);
        const colour = get("joint-" + (front.index % 7)) + R.faded();
        for (let i = 0; i < s.low.length; i += 1) {
          const size = (Math.max(Math.abs(s.low[i]), Math.abs(s.high[i])) / top) * 20;
          if (s.low[i] <= s.high[i]) renderer.area(this.sx(s.group.t[i]), h - size, Math.max(1, w / s.low.length), size, colour);
        }
      }
      for (const f of this.config.flags) {
        renderer.area(this.sx(f.start), 12, Math.max(1.5, this.sx(f.end) - this.sx(f.start)), h - 12, get("span"));
        renderer.text(STROKES[f.severity] || "·", Math.max(9, Math.min(w - 9, this.sx((f.start + f.end) / 2))), 5, get(f.severity in STROKES ? f.severity : "faint"), "center", 14, 700);
      }
      for (const pin of v.pins) renderer.line(this.sx(pin.start), 0, this.sx(pin.start), h, get("accent"), 1.2, [2, 3]);
      const x0 = this.sx(v.from), x1 = this.sx(v.to);
      renderer.line(x0, h - 1, x1, h - 1, get("accent"), 3);
      renderer.frame(x0 + 0.5, 12.5, Math.max(2, x1 - x0 - 1), h - 13, get("accent"));
    }
    place() {
      if (this.sx) this.stripCursor.style.transform = "translateX(" + this.sx(this.view.at) + "px)";
    }

    // --- saving ------------------------------------------------------------------------
    save(what, kind) {
      // Kept pictures are for paper: light colours, print size, whatever the screen shows.
      const page = document.documentElement, theme = page.dataset.theme;
      page.dataset.theme = "light";
      try { this.paint(what, kind); } finally {
        if (theme) page.dataset.theme = theme; else delete page.dataset.theme;
        this.player.panels.colours();
        this.player.dirty();
      }
    }
    paint(what, kind) {
      const s = this.player, panels = s.panels, v = this.view, name = `${this.config.session}-${what}`;
      panels.colours();
      const sizes = { plots: [panels.width, panels.pictureHeight()], plane: [520, 440], posture: [520, 500] };
      const [w, h] = sizes[what], head = 56;
      const draw = (renderer) => {
        if (what === "plots") return panels.picture(renderer);
        const get = jb.theme.colour, zero = this.config.zero, front = v.frontJoint();
        renderer.text(what === "plane" ? "Current against speed, " + front.name + (front.unit ? ", unit " + front.unit : "") : "Posture, m", 8, 13, get("ink"), "left", 14, 600);
        renderer.text(this.config.session + (what === "plane" ? " · window from " + R.clock(v.from, zero, 3) + " to " + R.clock(v.to, zero, 3) : ""), 8, 31, get("ink"), "left", 11);
        renderer.text("cursor " + R.day(v.at, zero, this.config.decimals) + " " + R.clock(v.at, zero, this.config.decimals) + " UTC" + (what === "plane" ? " · dashed: expected, shaded: band" : ""), 8, 47, get("ink"), "left", 11);
        renderer.move(0, head);
        s[what].picture(renderer, w, h - head);
        renderer.back();
        if (what === "posture") this.config.joints.forEach((j, i) => {
          renderer.mark(j.mark, w - 48, 16 + 18 * i, 5, get("joint-" + (j.index % 7)));
          renderer.text(j.name, w - 36, 16 + 18 * i, get("ink"), "left", 11, j.name === front.name ? 700 : 400);
        });
        return undefined;
      };
      if (kind === "svg") {
        const renderer = new R.SvgRenderer(w, h, jb.theme.colour("sheet"));
        draw(renderer);
        return download(new Blob([renderer.toString()], { type: "image/svg+xml" }), name + ".svg");
      }
      const canvas = document.createElement("canvas");
      const renderer = new R.CanvasRenderer(canvas, w, h, R.PRINT_SCALE);
      renderer.area(0, 0, w, h, jb.theme.colour("sheet"));
      draw(renderer);
      return canvas.toBlob((blob) => download(blob, name + ".png"));
    }
    keep(kind) {
      const v = this.view, span = v.mark !== null && v.mark !== v.at ? [Math.min(v.mark, v.at), Math.max(v.mark, v.at)] : [v.from, v.to];
      this.fetchFile("span." + kind, { from: span[0], to: span[1], joints: v.shownJoints().map((j) => j.name).join(",") });
    }
    keepMeasure(kind) {
      const v = this.view;
      if (v.mark === null) return;
      this.fetchFile("measure." + kind, { from: v.mark, to: v.at, joints: v.measureAll ? v.shownJoints().map((j) => j.name).join(",") : v.front });
    }
    fetchFile(path, words) {
      const a = document.createElement("a");
      a.href = this.cache.root + path + "?" + new URLSearchParams(words);
      a.download = "";
      a.click();
    }
  };

  // A text's own data: a new node for each figure would wake whoever watches the page for new parts.
  function put(cell, text) {
    if (!cell || cell.textContent === text) return;
    const only = cell.childNodes.length === 1 && cell.firstChild.nodeType === Node.TEXT_NODE;
    if (only && text) cell.firstChild.data = text; else cell.textContent = text;
  }
  function download(blob, name) {
    const a = document.createElement("a");
    a.href = URL.createObjectURL(blob);
    a.download = name;
    a.click();
    setTimeout(() => URL.revokeObjectURL(a.href), 5000);
  }
})();
