"""What a rendered page measures: its targets, what is clipped, what would scroll."""

from __future__ import annotations

import itertools

MILLIMETRE = 160 / 25.4
"""CSS pixels in a millimetre of a tablet that has 160 of them to the inch."""

LARGE, APART = 20 * MILLIMETRE, 12 * MILLIMETRE
ROUNDING = 0.5

TARGETS = """(root) => {
  const shown = (one) => one.checkVisibility({ visibilityProperty: true, opacityProperty: true });
  const words = "button, a[href], input, select, textarea, summary, [role=button], [role=radio], "
    + "[role=tab], [role=switch], [role=checkbox]";
  const within = document.querySelector(root);
  return [...within.querySelectorAll(words)].filter(shown).map((one) => {
    /* What is hit for a hidden box with a label is the label. */
    const label = one.closest("label");
    const target = label && ["radio", "checkbox", "file"].includes(one.type) ? label : one;
    const box = target.getBoundingClientRect();
    const name = target.id || target.dataset.digit || target.dataset.name || target.className ||
      target.tagName;
    return { name, text: target.textContent.trim().slice(0, 30), left: box.left, right: box.right,
      top: box.top, bottom: box.bottom, width: box.width, height: box.height };
  }).filter((box) => box.width > 1 && box.height > 1);
}"""
"""Every element that does something when it is touched: buttons, links, boxes to type in and to
tick (with their label), whatever says by its role that it is one; as far as it is rendered."""

CLIPPED = """(root) => [document.documentElement,
  ...document.querySelector(root).querySelectorAll("*")].filter((one) => {
  if (!one.checkVisibility({ visibilityProperty: true })) return false;
  const style = getComputedStyle(one);
  if (style.position === "absolute" && style.clipPath !== "none") return false; /* for readers */
  const own = [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim() !== "");
  if (one !== document.documentElement && !own) return false;
  const wide = one.scrollWidth > one.clientWidth + 1 && style.display !== "inline";
  const hides = ["hidden", "clip"].includes(style.overflowY) && one !== document.documentElement;
  return wide || (hides && one.scrollHeight > one.clientHeight + 1);
}).map((one) => `${one.tagName}#${one.id}.${one.className}: ${one.textContent.trim()}`)"""
"""Elements with text of their own that is wider than they are, or cut off below."""


def targets_in(page, root="body"):
    """Return every target that is rendered within an element, with its box in CSS pixels."""
    return page.evaluate(TARGETS, root)


def clipped_in(page, root="body"):
    """Return the texts that do not fit, and the page itself where it scrolls sideways."""
    return page.evaluate(CLIPPED, root)


def too_small(boxes, least=LARGE):
    return [box for box in boxes if min(box["width"], box["height"]) < least - ROUNDING]


def too_near(boxes, least=APART):
    """Return the pairs of targets that are nearer to each other than that."""
    return [
        (one["name"], other["name"], round(apart(one, other), 1))
        for one, other in itertools.combinations(boxes, 2)
        if apart(one, other) < least - ROUNDING
    ]


def outside(boxes, width, height):
    """Return the targets that do not lie wholly within a view."""
    return [
        box["name"]
        for box in boxes
        if box["left"] < -ROUNDING or (box["top"] < -ROUNDING and height < float("inf"))
        or box["right"] > width + ROUNDING or box["bottom"] > height + ROUNDING
    ]  # fmt: skip


def apart(one, other):
    """Return how far two boxes are apart along the axis on which they are furthest."""
    across = max(one["left"], other["left"]) - min(one["right"], other["right"])
    down = max(one["top"], other["top"]) - min(one["bottom"], other["bottom"])
    return max(across, down)
