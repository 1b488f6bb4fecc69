"use strict";
// Zooming the soak plots. The page says everything without this script; nothing here asks the network.
(() => {
  const LEFT = 64, WIDTH = 684, SVG = "http://www.w3.org/2000/svg";
  const SIZES = [[86400, "d"], [3600, "h"], [60, "min"], [1, "s"]];
  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800];
  const section = document.getElementById("soak-plots");
  const whole = Number(section.dataset.end);
  if (!(whole > 0)) return; // a soak that ended as it began has nothing to zoom
  const plots = [...section.querySelectorAll("svg.plot")];
  const shown = section.querySelector(".shown");
  let from = 0, to = whole;

  const refine = (plot) => {
    const data = plot.parentElement.querySelector("script[type='application/json']");
    if (!data) return;
    const [low, mean, high] = JSON.parse(data.textContent);
    const window_ = plot.querySelector(".window");
    const x = (n) => (LEFT + WIDTH * (n + 0.5) / mean.length).toFixed(3);
    const fit = window_.querySelector(".fit");
    window_.querySelectorAll(".band, .mean").forEach((old) => old.remove());
    for (let first = 0; first < mean.length; first++) {
      if (mean[first] === null) continue;
      let end = first;
      while (end < mean.length && mean[end] !== null) end++;
      const way = (values) => Array.from({ length: end - first }, (_, k) => x(first + k) + " " + values[first + k] / 10);
      const add = (name, d) => {
        const path = document.createElementNS(SVG, "path");
        path.setAttribute("class", name);
        path.setAttribute("d", d);
        window_.insertBefore(path, fit);
      };
      add("band", "M" + way(high).concat(way(low).reverse()).join("L") + "Z");
      add("mean", "M" + way(mean).join("L"));
      first = end;
    }
  };

  const words = (seconds, step) => {
    if (step % 3600 && step % 60 === 0 && seconds >= 3600) {
      const m = Math.round(seconds / 60);
      return Math.floor(m / 60) + " h" + (m % 60 ? " " + m % 60 + " min" : "");
    }
    const [size, name] = SIZES.find(([unit]) => step % unit === 0) || SIZES[3];
    return Number((seconds / size).toFixed(3)) + " " + name;
  };

  const clock = (seconds) => {
    const h = Math.floor(seconds / 3600), m = Math.floor(seconds % 3600 / 60), s = Math.floor(seconds % 60);
    return h + " h " + m + " min" + (s ? " " + s + " s" : "");
  };

  const place = (time) => LEFT + WIDTH * (time - from) / (to - from);

  const redraw = () => {
    const step = STEPS.find((one) => (to - from) / one <= 8) || 604800;
    section.classList.toggle("zoomed", to - from < whole);
    for (const plot of plots) {
      const view = plot.querySelector(".window");
      const [, top, , height] = view.getAttribute("viewBox").split(" ");
      view.setAttribute("viewBox", [LEFT + WIDTH * from / whole, top, WIDTH * (to - from) / whole, height].join(" "));
      const times = plot.querySelector(".times");
      const bottom = Number(times.dataset.bottom);
      times.replaceChildren();
      for (let time = Math.ceil(from / step) * step; time <= to; time += step) {
        const tick = document.createElementNS(SVG, "line");
        for (const [name, value] of [["x1", place(time)], ["x2", place(time)], ["y1", bottom], ["y2", bottom + 4], ["class", "tick"]])
          tick.setAttribute(name, value);
        const text = document.createElementNS(SVG, "text");
        for (const [name, value] of [["x", place(time)], ["y", bottom + 18], ["class", "number"], ["text-anchor", "middle"]])
          text.setAttribute(name, value);
        text.textContent = words(time, step);
        times.append(tick, text);
      }
      let last = -Infinity;
      plot.querySelectorAll(".letter").forEach((letter) => {
        const at = place((Number(letter.dataset.x) - LEFT) / WIDTH * whole);
        const x = Math.max(at, last + 8.5);
        const seen = at > LEFT - 1 && at < LEFT + WIDTH + 1 && x - at < 24;
        if (seen) last = x;
        letter.setAttribute("x", x);
        letter.setAttribute("visibility", seen ? "visible" : "hidden");
      });
    }
    shown.textContent = "Shown: " + clock(from) + " to " + clock(to);
  };

  const show = (start, end) => {
    const span = Math.min(Math.max(end - start, Math.min(60, whole)), whole);
    from = Math.min(Math.max((start + end - span) / 2, 0), whole - span);
    to = from + span;
    redraw();
  };

  const moves = {
    out: () => show(from - (to - from) / 2, to + (to - from) / 2),
    in: () => show(from + (to - from) / 4, to - (to - from) / 4),
    left: () => show(from - (to - from) / 2, to - (to - from) / 2),
    right: () => show(from + (to - from) / 2, to + (to - from) / 2),
    whole: () => show(0, whole),
  };

  plots.forEach(refine);
  section.querySelector(".zoom").hidden = false;
  section.querySelectorAll("button[data-zoom]").forEach((button) => button.addEventListener("click", moves[button.dataset.zoom]));
  section.querySelectorAll("button[data-at]").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", () => {
      show(Number(button.dataset.at) - 1800, Number(button.dataset.at) + 1800);
      section.querySelector(".zoom").scrollIntoView();
    });
  });
  for (const plot of plots) {
    let begun = null;
    const time = (event) => {
      const frame = plot.getBoundingClientRect();
      const x = (event.clientX - frame.left) / frame.width * 760;
      return from + (to - from) * Math.min(Math.max((x - LEFT) / WIDTH, 0), 1);
    };
    plot.addEventListener("pointerdown", (event) => { if (event.pointerType === "mouse" && event.button === 0) { begun = time(event); event.preventDefault(); } });
    plot.addEventListener("pointerup", (event) => {
      if (begun === null) return;
      const ended = time(event);
      if (Math.abs(ended - begun) > (to - from) / 100) show(Math.min(begun, ended), Math.max(begun, ended));
      begun = null;
    });
  }
  redraw();
})();
