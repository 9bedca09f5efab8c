// Hands on the plots and the strip: click, drag, wheel.
(function () {
  "use strict";
  const R = window.jointbook.replay;

  // A click sets the cursor, a drag picks the span to see, Shift and drag moves
  // the window, the wheel zooms. On the strip: click for the cursor, drag the
  // frame to move the window.
  R.pointer = function (controls) {
    const player = controls.player, v = controls.view, host = player.panels.host, pick = player.panels.pick;
    let held = null;
    const inside = (e) => e.clientX - host.getBoundingClientRect().left;
    host.onpointerdown = (e) => {
      if (e.target.closest("button") || e.button) return;
      held = { x: inside(e), shift: e.shiftKey, from: v.from, to: v.to, moved: false };
      host.setPointerCapture(e.pointerId);
    };
    host.onpointermove = (e) => {
      if (!held) return;
      const x = inside(e);
      if (Math.abs(x - held.x) > 4) held.moved = true;
      if (!held.moved) return;
      if (held.shift) {
        const d = ((held.x - x) / player.panels.plot) * (held.to - held.from);
        player.setWindow(held.from + d, held.to + d);
      } else {
        pick.hidden = false;
        pick.style.left = Math.min(x, held.x) + "px";
        pick.style.width = Math.abs(x - held.x) + "px";
      }
    };
    host.onpointerup = (e) => {
      if (!held) return;
      const was = held, x = inside(e);
      held = null; pick.hidden = true;
      if (!was.moved) { if (x > R.GUTTER - 3) player.setCursor(player.panels.t(x)); }
      else if (!was.shift) {
        const t = [player.panels.t(was.x), player.panels.t(x)].sort((a, b) => a - b);
        player.setWindow(t[0], t[1]);
      }
    };
    host.onpointercancel = () => { held = null; pick.hidden = true; };
    host.ondblclick = (e) => { if (!e.target.closest("button")) player.setWindow(0, player.config.length); };
    host.onwheel = (e) => {
      if (e.ctrlKey) return;
      e.preventDefault();
      if (Math.abs(e.deltaX) > Math.abs(e.deltaY) || e.shiftKey) player.shift((e.deltaX || e.deltaY) / 800);
      else player.zoom(Math.pow(1.0018, e.deltaY), player.panels.t(Math.max(R.GUTTER, inside(e))));
    };
    let drag = null;
    const at = (e) => ((e.clientX - controls.strip.getBoundingClientRect().left) / controls.strip.clientWidth) * player.config.length;
    controls.strip.onpointerdown = (e) => {
      const t = at(e), whole = v.from <= 0 && v.to >= player.config.length - 1e-9;
      drag = !whole && t >= v.from && t <= v.to ? { t, from: v.from, to: v.to } : {};
      if (drag.t === undefined) player.setCursor(t);
      controls.strip.setPointerCapture(e.pointerId);
    };
    controls.strip.onpointermove = (e) => {
      if (!drag) return;
      if (drag.t === undefined) player.setCursor(at(e));
      else { const d = at(e) - drag.t; drag.moved = drag.moved || Math.abs(controls.sx(d)) > 3; if (drag.moved) player.setWindow(drag.from + d, drag.to + d); }
    };
    controls.strip.onpointerup = (e) => { if (drag && drag.t !== undefined && !drag.moved) player.setCursor(at(e)); drag = null; };
  };
})();
