/* Opens the tablet page where there is no network. It keeps the page's own files, under a name
   that changes with them, and touches nothing else: what is logged belongs to the page, and
   an answer of the server is never kept here. */
"use strict";

const VERSION = {{ version|tojson }};
const PAGE = {{ page|tojson }};
const FILES = {{ files|tojson }};
const FAMILY = "trialog-shell-";
const SHELF = FAMILY + VERSION;

/* All or nothing: a shell of which one file is missing, or that was put together while the
   server changed, must not open. The page comes last: it still names this version only when
   every file before it was this version's too. A file whose address changes with its content may
   come from the browser's own cache: nothing crosses a bad Wi-Fi twice. */
async function stock() {
  const shelf = await caches.open(SHELF);
  await shelf.addAll(FILES);
  const page = await fetch(PAGE, { cache: "no-cache", credentials: "omit" });
  if (!page.ok || page.headers.get("Trialog-Version") !== VERSION) {
    await caches.delete(SHELF);
    throw new Error("the server changed meanwhile; the browser tries again later");
  }
  await shelf.put(PAGE, page);
}

/* The shell before this one stays: a page that is open was made of it. */
async function clear() {
  const names = (await caches.keys()).filter((name) => name.startsWith(FAMILY));
  const old = names.filter((name) => name !== SHELF).slice(0, -1);
  await Promise.all(old.map((name) => caches.delete(name)));
  await self.clients.claim();
  const pages = await self.clients.matchAll();
  pages.forEach((page) => page.postMessage({ version: VERSION }));
}

/* Whatever the server says an answer depends on: on the shelf there is one of each. */
const ANY = { ignoreVary: true };

async function open() {
  const page = await (await caches.open(SHELF)).match(PAGE, ANY);
  return page || fetch(PAGE);
}

async function fromShelf(request) {
  return (await caches.match(request, ANY)) || fetch(request);
}

self.addEventListener("install", (event) => {
  self.skipWaiting(); /* the next load gets the new shell; the open page keeps what it has */
  event.waitUntil(stock());
});

self.addEventListener("activate", (event) => event.waitUntil(clear()));

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== self.location.origin) return;
  const place = address.pathname + address.search;
  if (address.pathname === PAGE) event.respondWith(open());
  else if (FILES.includes(place) || address.searchParams.has("v")) {
    event.respondWith(fromShelf(request));
  }
});
