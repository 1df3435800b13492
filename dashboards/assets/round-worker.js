// Keeps the page of a round on the device: the network first, what was kept where there is none.
"use strict";
const SHELF = "sillkeep-round-page";
const PAGE = "/round";
const PARTS = ["/assets/board.css", "/assets/dark.css", "/assets/round.css", "/assets/round.js"];

self.addEventListener("install", (installing) => {
  installing.waitUntil(
    caches.open(SHELF).then((shelf) => shelf.addAll([PAGE, ...PARTS])).then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (activating) => activating.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (asking) => {
  const { request } = asking;
  const { origin, pathname } = new URL(request.url);
  if (origin !== location.origin || request.method !== "GET") return;
  const isPage = request.mode === "navigate" && (pathname === PAGE || pathname.startsWith(`${PAGE}/`));
  if (isPage) asking.respondWith(fresh(request, PAGE));
  else if (PARTS.includes(pathname)) asking.respondWith(fresh(request, pathname));
});

// What the board answers, kept under a name; what was kept if it does not answer or is in trouble.
async function fresh(request, name) {
  const shelf = await caches.open(SHELF);
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) await shelf.put(name, answer.clone());
    if (answer.status < 500) return answer;
    return (await shelf.match(name)) ?? answer;
  } catch (lost) {
    const kept = await shelf.match(name);
    if (kept) return kept;
    throw lost;
  }
}
