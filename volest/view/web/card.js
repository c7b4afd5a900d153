"use strict";
// Ties a card's sliders, its figures and its live view together; nothing is loaded before it is seen.
(() => {
  const STAND = { yaw: 0.35, pitch: 0.75, zoom: 1.5 };

  function start(card) {
    const data = JSON.parse(card.querySelector("script.data").textContent);
    const canvas = card.querySelector("canvas");
    const show = (name) => card.querySelector(`[data-show=${name}]`);
    const handle = (name) => card.querySelector(`[data-move=${name}]`);
    // Columns of a move; an impression that shares a mix has no amounts of its own.
    const columns = ["volume", "powder", "water", "scoops"].map((k, at) => [k, at + 1]).filter(([k]) => show(k));
    const measured = Object.fromEntries(columns.map(([k]) => [k, show(k).textContent]));
    const heights = data.moves.map((row) => row[0]);
    const look = { ...STAND, height: 0, cut: null };
    const height = handle("height"), cut = handle("cut");
    const { low, size } = data.solid;
    let loaded = null, waiting = false;

    Object.assign(height, { min: heights[0], max: heights[heights.length - 1], step: 0.1, value: 0 });
    // The far left of the second slider is no cut at all.
    Object.assign(cut, { min: low[1], max: low[1] + size[1], step: 0.1, value: low[1] });

    function paint() {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(async () => {
        loaded ??= Solid.load(await Solid.unpack(data.solid));
        waiting = false;
        if (loaded) Solid.draw(loaded, look, canvas);
        else canvas.replaceWith(document.createTextNode("This browser cannot draw solids (WebGL 2)."));
      });
    }

    function tell() {
      const row = data.moves[heights.findIndex((at) => Math.abs(at - look.height) < 0.05)];
      const tried = look.height !== 0;
      card.querySelector(".figures").querySelectorAll("p").forEach((p) => p.classList.toggle("tried", tried));
      show("height").textContent = look.height.toFixed(1);
      columns.forEach(([k, at]) => {
        show(k).textContent = !tried ? measured[k] : at === 1 ? row[1].toFixed(1) : row[at];
      });
      card.querySelectorAll("[data-rest]").forEach((rest) => { rest.hidden = tried; });
      card.querySelector("[data-tried]").hidden = !tried;
      const plot = card.querySelector("svg.curve"), line = plot.querySelector(".tried");
      const base = Number(plot.querySelector(".base").getAttribute("x1"));
      const x = base + ((Number(plot.dataset.right) - base) * look.height) / data.curve_last;
      line.setAttribute("x1", x);
      line.setAttribute("x2", x);
      line.setAttribute("visibility", tried ? "visible" : "hidden");
    }

    height.addEventListener("input", () => {
      look.height = Math.round(height.value * 10) / 10;
      tell();
      paint();
    });
    cut.addEventListener("input", () => {
      const at = Number(cut.value);
      look.cut = at <= Number(cut.min) ? null : at;
      show("cut").textContent = look.cut === null ? "off" : `${(at - cut.min).toFixed(0)} mm`;
      paint();
    });
    handle("back").addEventListener("click", () => {
      height.value = 0;
      height.dispatchEvent(new Event("input"));
    });
    Solid.hands(canvas, look, paint);
    canvas.addEventListener("dblclick", () => { Object.assign(look, STAND); paint(); });
    new IntersectionObserver((seen, watcher) => {
      if (!seen.some((entry) => entry.isIntersecting)) return;
      watcher.disconnect();
      paint();
    }, { rootMargin: "400px" }).observe(canvas);
    // Paper must carry what was measured, never what somebody only tried.
    window.addEventListener("beforeprint", () => handle("back").click());
  }

  document.querySelectorAll(".card").forEach((card) => card.querySelector("script.data") && start(card));
})();
