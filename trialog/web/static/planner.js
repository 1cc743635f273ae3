/* The planner: sliders move the numbers beside them, and the server works out the rest. */
(function () {
  "use strict";

  const WAIT = 120; /* ms without a further move before the server is asked */
  const SLOW = 400; /* ms until an unanswered question shows */
  const STEPS = 1000;

  const form = document.getElementById("planner");
  const results = document.getElementById("results");
  const sliders = [...form.querySelectorAll(".slider")];

  /* ── Sliders ─────────────────────────────────────────────────────────────── */

  /* Scales map a value to an even line: "log" by its logarithm, "miss" by that of what is
     missing to 100 %. */
  const SCALES = {
    log: { to: Math.log, from: Math.exp, digits: 2 },
    miss: { to: (value) => -Math.log(100 - value), from: (even) => 100 - Math.exp(-even) },
  };

  function rounded(value, digits) {
    return Number(value.toPrecision(digits));
  }

  function valueAt(slider) {
    const scale = SCALES[slider.dataset.scale];
    const [low, high] = ends(slider, scale);
    const value = scale.from(low + (high - low) * (slider.value / STEPS));
    if (slider.dataset.scale === "miss") return 100 - rounded(100 - value, 2);
    return rounded(value, value >= 100 ? 3 : 2);
  }

  function ends(slider, scale) {
    return [slider.dataset.least, slider.dataset.most].map((end) => scale.to(Number(end)));
  }

  function text(value) {
    return String(Number(value.toFixed(6)));
  }

  function place(slider) {
    const field = document.getElementById(slider.dataset.slides);
    const typed = field.value.trim() === "" ? field.placeholder.replaceAll(",", "") : field.value;
    const value = Number(typed.replace(",", "."));
    const scale = SCALES[slider.dataset.scale];
    const [low, high] = ends(slider, scale);
    const even = scale.to(value);
    if (!Number.isNaN(even)) slider.value = Math.round((STEPS * (even - low)) / (high - low));
    say(slider, typed);
  }

  function say(slider, value) {
    slider.setAttribute("aria-valuetext", `${value} ${slider.dataset.unit}`);
  }

  sliders.forEach((slider) => {
    slider.hidden = false;
    slider.step = 5;
    place(slider);
    slider.addEventListener("input", () => {
      const value = text(valueAt(slider));
      document.getElementById(slider.dataset.slides).value = value;
      say(slider, value);
      askSoon();
    });
  });

  /* ── Asking the server ───────────────────────────────────────────────────── */

  let timer = null;
  let asking = null;

  function askSoon() {
    clearTimeout(timer);
    timer = setTimeout(ask, WAIT);
  }

  function query() {
    return new URLSearchParams(new FormData(form)).toString();
  }

  async function ask() {
    clearTimeout(timer);
    if (asking) asking.abort();
    const mine = new AbortController();
    asking = mine;
    const asked = query();
    const slow = setTimeout(() => results.setAttribute("aria-busy", "true"), SLOW);
    try {
      const response = await fetch(`${form.dataset.results}?${asked}`, {
        credentials: "same-origin", headers: { Accept: "application/json" }, signal: mine.signal,
      });
      const answer = await response.json().catch(() => null);
      if (mine !== asking) return;
      if (!answer || answer.html === undefined) {
        trouble(response.status === 401
          ? "Your session has ended. Sign in again; the address keeps the numbers."
          : "The server could not work this out. The numbers below are those of before.");
        return;
      }
      history.replaceState(null, "", `${form.action}?${asked}`);
      show(answer);
    } catch (error) {
      if (error.name !== "AbortError") {
        trouble("The server does not answer. The numbers below are those of before.");
      }
    } finally {
      clearTimeout(slow);
      if (mine === asking) results.removeAttribute("aria-busy");
    }
  }

  function trouble(words) {
    const place = results.querySelector("[data-trouble]");
    place.textContent = words;
    place.hidden = words === "";
  }

  /* ── Showing the answer ──────────────────────────────────────────────────── */

  function show(answer) {
    form.querySelectorAll("[data-field]").forEach((box) => {
      const problem = answer.errors[box.dataset.field] || "";
      const words = box.querySelector(".problem");
      words.textContent = problem;
      words.hidden = problem === "";
      box.classList.toggle("wrong", problem !== "");
      box.querySelector("[name]").setAttribute("aria-invalid", String(problem !== ""));
    });
    if (answer.design) moveDesign(answer.design);
    const found = document.createElement("template");
    found.innerHTML = answer.html;
    if (alike(found.content)) renew(found.content);
    else results.replaceChildren(found.content);
    document.dispatchEvent(new Event("trialog:charts"));
  }

  function moveDesign(design) {
    const slider = form.querySelector('[data-slides="design_cycles"]');
    slider.dataset.least = design.least;
    slider.dataset.most = design.most;
    document.getElementById("design_cycles").placeholder = design.default.toLocaleString("en");
    if (document.activeElement !== slider) place(slider);
  }

  function parts(within) {
    return [...within.querySelectorAll("[data-part], [data-chart]")];
  }

  function names(within) {
    return parts(within).map((part) => part.dataset.part || part.dataset.chart).join();
  }

  function alike(found) {
    return names(found) !== "" && names(found) === names(results);
  }

  /* Parts are renewed in place: charts move instead of blinking, open tables stay open. */
  function renew(found) {
    trouble("");
    const now = parts(results);
    parts(found).forEach((part, at) => {
      if (part.dataset.part) {
        if (now[at].innerHTML !== part.innerHTML) now[at].innerHTML = part.innerHTML;
        return;
      }
      now[at].setAttribute("aria-label", part.getAttribute("aria-label"));
      const [old, fresh] = [now[at], part].map((chart) => chart.closest("figure"));
      for (const piece of ["figcaption", "script", ".rp-summary", ".rp-as-tables"]) {
        old.querySelector(piece).innerHTML = fresh.querySelector(piece).innerHTML;
      }
    });
  }

  form.addEventListener("input", (event) => {
    if (event.target.classList.contains("slider")) return;
    const slider = sliders.find((one) => one.dataset.slides === event.target.id);
    if (slider) place(slider);
    askSoon();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    ask();
  });
})();
