// Draws every chart of a page from the JSON beside it, with the colours that the page's style
// sheet has at that moment: again when light turns to dark, and for print. Charts in sight come
// first, each in a task of its own, so that a slow computer can be used meanwhile.
(function () {
  "use strict";

  const VARIABLE = /^var\((--[a-z-]+)\)$/;
  const CONFIG = { displayModeBar: false, responsive: true };
  const HEIGHT = 380;

  // Fits between the margins of A4 and of Letter; a wider chart would shrink the whole page, and
  // a taller one than PAPER.tallest would not be kept in one piece.
  const PAPER = { width: 660, part: 0.79, tallest: 860, letters: 12 };

  function resolved(value, style) {
    if (Array.isArray(value)) {
      return value.map((item) => resolved(item, style));
    }
    if (value && typeof value === "object") {
      return Object.fromEntries(
        Object.entries(value).map(([key, item]) => [key, resolved(item, style)])
      );
    }
    const found = typeof value === "string" && VARIABLE.exec(value);
    return found ? style.getPropertyValue(found[1]).trim() : value;
  }

  function onPaperNow() {
    return document.documentElement.classList.contains("on-paper");
  }

  // On paper charts are flatter, but for those of rows, which need their height.
  function sizeOf(layout) {
    const height = layout.height || HEIGHT;
    if (!onPaperNow()) {
      return { autosize: true, height };
    }
    const flat = layout.meta === "rows" ? height : Math.round(height * PAPER.part);
    return {
      autosize: false,
      width: PAPER.width,
      height: Math.min(flat, PAPER.tallest),
      font: { ...layout.font, size: PAPER.letters },
    };
  }

  function draw(place) {
    const source = document.getElementById(place.dataset.chart);
    const figure = resolved(JSON.parse(source.textContent), getComputedStyle(place));
    const paper = onPaperNow();
    const size = sizeOf(figure.layout);
    place.style.minHeight = `${size.height}px`;
    place.style.minWidth = `${(!paper && place.dataset.leastWidth) || 0}px`;
    Plotly.react(place, figure.data, { ...figure.layout, ...size }, CONFIG).then(() => {
      place.dataset.drawn = paper ? "paper" : "screen";
    });
  }

  function charts() {
    return [...document.querySelectorAll("[data-chart]")];
  }

  function fromSight(place) {
    const box = place.getBoundingClientRect();
    return Math.max(box.top - window.innerHeight, -box.bottom, 0);
  }

  let round = 0;

  function drawInTurn() {
    const mine = (round += 1);
    const waiting = charts().sort((one, other) => fromSight(one) - fromSight(other));
    (function next() {
      if (mine === round && waiting.length) {
        draw(waiting.shift());
        setTimeout(next);
      }
    })();
  }

  // Before print nothing can wait.
  function drawAtOnce() {
    round += 1;
    charts().forEach(draw);
  }

  function onPaper(yes) {
    document.documentElement.classList.toggle("on-paper", yes);
    drawAtOnce();
  }

  drawInTurn();
  document.addEventListener("trialog:charts", drawAtOnce); // a page has put other figures in
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawInTurn);
  window.addEventListener("beforeprint", () => onPaper(true));
  window.addEventListener("afterprint", () => onPaper(false));
})();
