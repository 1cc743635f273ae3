/* Keeps the page for times without a network, takes a newer one over at the next load, and says
   what this browser cannot do: `trialog.limits`. */
(function (root) {
  "use strict";

  const { store } = root.trialog;
  const SELDOM = 60000; /* ms between questions whether there is a newer page */
  const { add: onChange, tell: changed } = root.trialog.hearing();
  const limits = [];
  let registration = null;
  let told = null; /* the version that the server told last */
  let asked = { version: null, at: 0 };

  function limit(name, holds) {
    const at = limits.indexOf(name);
    if (holds === (at >= 0)) return;
    if (holds) limits.push(name);
    else limits.splice(at, 1);
    changed();
  }

  const update = {
    /* A newer page is on the tablet; the next load shows it. */
    ready: false,
    /* Load it now. Only where nobody is in the middle of something. */
    apply: () => root.location.reload(),
    onChange,
  };

  function isReady() {
    if (update.ready) return;
    update.ready = true;
    changed();
  }

  async function keepPage() {
    const workers = root.navigator.serviceWorker;
    if (!workers) return limit("no-offline", true);
    /* A worker that takes over says which shell it opens from now on. */
    workers.addEventListener("message", ({ data }) => {
      if (data && data.version && data.version !== root.trialog.version) isReady();
    });
    try {
      registration = await workers.register("sw.js", { updateViaCache: "none" });
      limit("no-offline", false);
      watch(registration.installing);
      hear(told);
    } catch {
      /* Without a network it cannot be asked for again: then the one that opened the page is
         enough. Without either, the page does not open offline. */
      limit("no-offline", !workers.controller);
    }
    return undefined;
  }

  /* A first shell that did not come whole is none: the browser tries again at the next load. */
  function watch(worker) {
    if (!worker) return;
    worker.addEventListener("statechange", () => {
      limit("no-offline", worker.state === "redundant" && !registration.active);
    });
  }

  /* The server told its version: where it is another, the browser shall look for the newer page
     now and not at the next load. */
  function hear(version) {
    told = version;
    if (!registration || !version || version === root.trialog.version || update.ready) return;
    const now = performance.now();
    if (version === asked.version && now - asked.at < SELDOM) return;
    asked = { version, at: now };
    registration.update().catch(() => {});
  }

  /* Some browsers ask the person, so this is asked once: when the browser becomes a tablet. */
  async function stays(ask) {
    const storage = root.navigator.storage;
    if (!storage || !storage.persist) return limit("may-be-cleared", true);
    const kept = await storage.persisted().catch(() => false);
    return limit("may-be-cleared", !(kept || (ask && await storage.persist().catch(() => false))));
  }

  limit("no-offline-pin", !(root.crypto && root.crypto.subtle));
  limit("no-offline", !root.navigator.serviceWorker);
  store.onChange((event) => {
    if (event.kind === "kept" || event.kind === "restored") limit("not-kept", !store.kept);
    if (event.kind === "facts" && event.changes.pack) hear(event.changes.pack.version);
    if (event.kind === "facts" && event.changes.key) stays(true);
    if (event.kind === "restored" && store.get("key")) stays(false);
  });
  root.addEventListener("load", keepPage);

  root.trialog = Object.assign(root.trialog, { limits, update });
})(window);
