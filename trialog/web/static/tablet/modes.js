/* The failure modes of the cell, drawn from what the tablet keeps: by device, each as a large
   target with a shape and words for what it does to the cell. */
(function (root) {
  "use strict";

  const { onTap, shift, tablet, texts } = root.trialog;
  const SHAPES = { "stops the cell": "shape-stops", "can damage": "shape-damage", nuisance: "shape-nuisance" };
  const heard = [];
  let drawn = "";
  let seen = null;

  function element(tag, name, text) {
    const made = document.createElement(tag);
    if (name) made.className = name;
    if (text !== undefined) made.textContent = text;
    return made;
  }

  function target(mode, act) {
    const made = element("button", `target mode ${mode.effect.replaceAll(" ", "-")}`);
    made.type = "button";
    made.dataset.mode = mode.id;
    made.dataset.name = mode.name;
    made.append(document.getElementById(SHAPES[mode.effect]).content.cloneNode(true));
    made.append(element("span", "mode-name", mode.name));
    const effect = element("span", "mode-effect", texts.t(`effect.${mode.effect}`));
    effect.dataset.text = `effect.${mode.effect}`;
    made.append(effect);
    onTap(made, () => act(mode.id, made));
    return made;
  }

  function group(device, act, prefix) {
    const made = element("div", "device");
    const name = element("h2", "", device.name);
    name.id = `${prefix}-${device.id}`;
    made.setAttribute("role", "group");
    made.setAttribute("aria-labelledby", name.id);
    const list = element("div", "mode-list");
    list.append(...device.modes.map((mode) => target(mode, act)));
    made.append(name, list);
    return made;
  }

  /* Fill a place with all targets; `act` hears the mode's number and the target. */
  function fill(place, act, prefix) {
    const devices = tablet.cell.devices.filter((device) => device.modes.length > 0);
    place.querySelectorAll(".device").forEach((old) => old.remove());
    place.className = `modes devices-${Math.min(devices.length, 4)}`;
    place.append(...devices.map((device) => group(device, act, prefix)));
    place.querySelector(".no-modes").hidden = devices.length > 0;
  }

  /* Draw them again where the cell's modes changed. */
  function draw() {
    const devices = tablet.cell && tablet.cell.devices;
    if (devices === seen) return;
    seen = devices;
    const now = tablet.cell ? JSON.stringify([tablet.cell.id, tablet.cell.devices]) : "";
    if (now === drawn || now === "") return;
    drawn = now;
    heard.forEach((again) => again());
    document.getElementById("several").disabled = shift.modes().length === 0;
  }

  root.trialog = Object.assign(root.trialog, {
    modes: { draw, fill, onDraw: (again) => heard.push(again) },
  });
})(window);
