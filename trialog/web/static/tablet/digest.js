/* Hashes. The browser's own exist on secure pages only; a photo needs its hash on plain http as
   well, so SHA-256 (FIPS 180-4) is written out here. It is too slow for hashing PINs. */
(function (root) {
  "use strict";

  const subtle = root.crypto && root.crypto.subtle;

  const hex = (bytes) => Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");

  /* A UUID from getRandomValues, which plain http has too. */
  function newId() {
    const bytes = root.crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    return hex(bytes).replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
  }

  /* The first 32 bits of the fractional parts of roots of the first primes: section 4.2.2 takes
     cube roots for the rounds, 5.3.3 square roots for the beginning. */
  function primes(count) {
    const found = [];
    for (let one = 2; found.length < count; one += 1) {
      if (found.every((prime) => one % prime !== 0)) found.push(one);
    }
    return found;
  }
  const fraction = (number) => ((number - Math.floor(number)) * 2 ** 32) >>> 0;
  const ROUNDS = primes(64).map((prime) => fraction(Math.cbrt(prime)));
  const BEGIN = primes(8).map((prime) => fraction(Math.sqrt(prime)));

  const turn = (word, by) => (word >>> by) | (word << (32 - by));

  function padded(bytes) {
    const length = bytes.length;
    const blocks = new DataView(new ArrayBuffer(((length + 8) >> 6) * 64 + 64));
    new Uint8Array(blocks.buffer).set(bytes);
    blocks.setUint8(length, 0x80);
    blocks.setUint32(blocks.byteLength - 8, Math.floor(length / 2 ** 29));
    blocks.setUint32(blocks.byteLength - 4, (length << 3) >>> 0);
    return blocks;
  }

  function schedule(words, blocks, at) {
    for (let t = 0; t < 16; t += 1) words[t] = blocks.getUint32(at + 4 * t);
    for (let t = 16; t < 64; t += 1) {
      const early = words[t - 15];
      const late = words[t - 2];
      const small0 = turn(early, 7) ^ turn(early, 18) ^ (early >>> 3);
      const small1 = turn(late, 17) ^ turn(late, 19) ^ (late >>> 10);
      words[t] = (words[t - 16] + small0 + words[t - 7] + small1) | 0;
    }
  }

  function compress(state, words) {
    let [a, b, c, d, e, f, g, h] = state;
    for (let t = 0; t < 64; t += 1) {
      const large1 = turn(e, 6) ^ turn(e, 11) ^ turn(e, 25);
      const first = (h + large1 + ((e & f) ^ (~e & g)) + ROUNDS[t] + words[t]) | 0;
      const large0 = turn(a, 2) ^ turn(a, 13) ^ turn(a, 22);
      const second = (large0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g; g = f; f = e; e = (d + first) | 0;
      d = c; c = b; b = a; a = (first + second) | 0;
    }
    return [a, b, c, d, e, f, g, h].map((word, at) => (word + state[at]) | 0);
  }

  function sha256Here(bytes) {
    const blocks = padded(bytes);
    const words = new Int32Array(64);
    let state = BEGIN;
    for (let at = 0; at < blocks.byteLength; at += 64) {
      schedule(words, blocks, at);
      state = compress(state, words);
    }
    return state.map((word) => (word >>> 0).toString(16).padStart(8, "0")).join("");
  }

  /* Resolves to the SHA-256 of bytes (an ArrayBuffer), in hex. */
  async function sha256(bytes) {
    if (subtle) return hex(new Uint8Array(await subtle.digest("SHA-256", bytes)));
    return sha256Here(new Uint8Array(bytes));
  }

  root.trialog = Object.assign(root.trialog || {}, { hex, newId, sha256, sha256Here });
})(window);
