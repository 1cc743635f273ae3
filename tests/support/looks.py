"""What to ask a page in a browser: is it readable, does it fit, can it be hit, has it a name?"""

SMALLEST_TARGET = 44
SMALL_CONTROLS = """() => [...document.querySelectorAll(
    'button, .button, input:not([type=hidden]), select, textarea')].filter(item => {
      const whole = item.closest('label') || item;
      const box = whole.getBoundingClientRect();
      return box.height > 0 && box.height < %d;
    }).map(item => item.outerHTML.slice(0, 120))"""
NAMELESS = """() => [...document.querySelectorAll('input:not([type=hidden]), select, textarea')]
    .filter(item => !item.labels.length && !item.getAttribute('aria-label'))
    .map(item => item.outerHTML.slice(0, 120))"""
SPILL = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

CONTRAST = """() => {
  const channel = value => { const part = value / 255;
    return part <= 0.03928 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4; };
  const parts = colour => colour.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = item => { for (let at = item; at; at = at.parentElement) {
      const colour = parts(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour; }
    return [255, 255, 255]; };
  const faults = [];
  for (const item of document.querySelectorAll('body *')) {
    const own = [...item.childNodes].some(node => node.nodeType === 3 && node.data.trim());
    if (!own || !item.getClientRects().length || item.closest('.skip')) continue;
    const a = light(parts(getComputedStyle(item).color)), b = light(ground(item));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) faults.push(item.textContent.trim().slice(0, 40) + ' ' + ratio.toFixed(2));
  }
  return faults; }"""
