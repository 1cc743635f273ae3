/* Asking the server, as this tablet. An answer that is no answer of ours (none at all, a
   hotel's sign-in page, a broken gateway) counts as none. */
(function (root) {
  "use strict";

  const { clock, store } = root.trialog;
  const PATIENCE = 8000; /* ms before an answer counts as lost */
  const BASE = new URL("../api/", root.location.href.split(/[?#]/)[0]).href;

  class Unreachable extends Error {
    constructor(status = null) {
      super("the server was not reached");
      this.status = status;
    }
  }

  function headers(extra) {
    const key = store.get("key");
    return { Accept: "application/json", ...(key ? { Authorization: `Bearer ${key}` } : {}), ...extra };
  }

  async function answerTo(address, options, stop) {
    const asked = performance.now();
    const response = await root.fetch(BASE + address, {
      cache: "no-store", credentials: "omit", redirect: "error", signal: stop, ...options,
    });
    const body = await response.json();
    if (body && typeof body.now === "string") clock.hear(body.now, performance.now() - asked);
    return { status: response.status, body };
  }

  /* Resolves to {status, body} with status below 500; rejects with Unreachable. */
  async function ask(address, options = {}, patience = PATIENCE) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), patience);
    let answer;
    try {
      answer = await answerTo(address, options, stop.signal);
    } catch {
      throw new Unreachable();
    } finally {
      clearTimeout(timer);
    }
    if (answer.status >= 500 || !answer.body || typeof answer.body !== "object") {
      throw new Unreachable(answer.status);
    }
    return answer;
  }

  const get = (address) => ask(address, { headers: headers() });

  const post = (address, body) => ask(address, {
    method: "POST", headers: headers({ "Content-Type": "application/json" }),
    body: JSON.stringify(body),
  });

  const put = (address, bytes, type, patience) => ask(address, {
    method: "PUT", headers: headers({ "Content-Type": type }), body: bytes,
  }, patience);

  const messageOf = (answer) => (answer.body.error && answer.body.error.message) || "";

  /* Which shell this page is of; what it sends says so. */
  const { content: version } = document.querySelector('meta[name="trialog-version"]');

  root.trialog = Object.assign(root.trialog, {
    version,
    server: { get, post, put, messageOf, Unreachable },
  });
})(window);
