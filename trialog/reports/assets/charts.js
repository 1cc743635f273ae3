// Draws every chart of a page from the JSON beside it, with the colours that the page's style
// sheet has at that moment: again when light turns to dark, and for print.
(function () {
  "use strict";

  const VARIABLE = /^var\((--[a-z-]+)\)$/;
  const CONFIG = { displayModeBar: false, responsive: true };

  // Fits between the margins of A4 and of Letter; a wider chart would shrink the whole page.
  const PAPER = { autosize: false, width: 660, height: 300 };

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

  function draw(place) {
    const source = document.getElementById(place.dataset.chart);
    const figure = resolved(JSON.parse(source.textContent), getComputedStyle(place));
    const paper = document.documentElement.classList.contains("on-paper");
    const size = paper ? PAPER : { autosize: true };
    Plotly.react(place, figure.data, { ...figure.layout, ...size }, CONFIG).then(() => {
      place.dataset.drawn = paper ? "paper" : "screen";
    });
  }

  function drawAll() {
    document.querySelectorAll("[data-chart]").forEach(draw);
  }

  function onPaper(yes) {
    document.documentElement.classList.toggle("on-paper", yes);
    drawAll();
  }

  drawAll();
  document.addEventListener("trialog:charts", drawAll); // a page has put other figures in
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
  window.addEventListener("beforeprint", () => onPaper(true));
  window.addEventListener("afterprint", () => onPaper(false));
})();
