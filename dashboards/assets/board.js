// Puts still parts in place, follows links without loading the page anew, tells when it is old.
(() => {
  "use strict";
  const STALE_MS = 75000; // two missed refreshes and some seconds
  const OPERABLE = "a[href], summary, button, input, [tabindex]";
  const mouse = window.matchMedia("(pointer: fine)");
  let answered = Date.now();
  let path = location.pathname;

  // A session that is over leads to the door, and from there back to this page.
  const ask = window.fetch;
  window.fetch = async (...asked) => {
    const answer = await ask(...asked);
    if (answer.status === 401) {
      location.assign(`/login?next=${encodeURIComponent(location.pathname + location.search)}`);
    }
    return answer;
  };

  const typing = (part) => [...part.querySelectorAll("input:not([type=hidden])")]
    .some((field) => field.value !== "" || field === document.activeElement);

  // Replaces a part, but keeps what a person opened, where the focus is, and what was typed.
  function paint(part) {
    const text = part.dataset.still;
    if (part.painted === text || (part.painted !== undefined && typing(part))) return;
    const opened = [...part.querySelectorAll("details")].map((one) => one.open);
    const focus = [...part.querySelectorAll(OPERABLE)].indexOf(document.activeElement);
    const scrolled = [...part.querySelectorAll(".table")].map((one) => [one.scrollLeft, one.scrollTop]);
    part.innerHTML = text;
    part.painted = text;
    part.querySelectorAll("details").forEach((one, k) => { if (opened[k]) one.open = true; });
    part.querySelectorAll(".table").forEach((one, k) => {
      if (scrolled[k]) [one.scrollLeft, one.scrollTop] = scrolled[k];
    });
    if (focus >= 0) part.querySelectorAll(OPERABLE)[focus]?.focus({ preventScroll: true });
  }

  // A beat brings the still parts alone: they are put in place without the renderer.
  function refresh() {
    const text = document.getElementById("fresh")?.dataset.stills;
    if (!text || text === refresh.done) return;
    refresh.done = text;
    const stills = JSON.parse(text);
    for (const part of document.querySelectorAll("[data-name]")) {
      if (part.dataset.name in stills) part.dataset.still = stills[part.dataset.name];
    }
  }

  function look() {
    refresh();
    document.querySelectorAll("[data-still]").forEach(paint);
    if (mouse.matches) document.querySelectorAll(".graph .js-plotly-plot").forEach(zoomable);
    const drawn = document.querySelector("[data-drawn]")?.dataset.drawn;
    if (drawn && drawn !== look.drawn) { look.drawn = drawn; answered = Date.now(); tellAge(); }
    const heading = document.querySelector("h1")?.firstChild?.textContent;
    const title = heading ? `${heading} – Sillkeep` : document.title;
    if (document.title !== title) document.title = title; // a change is seen by the observer too
    if (drawn && location.pathname !== path) {
      path = location.pathname;
      window.scrollTo(0, 0);
      document.getElementById("main")?.focus({ preventScroll: true });
    }
  }

  // Dragging over a chart asks the board for those days: single readings where they are few. With a mouse
  // only: a finger scrolls the page, and the links of days do the same for everybody.
  function zoomable(chart) {
    if (chart.layout?.xaxis?.type !== "date" || chart.layout.dragmode === "zoom") return;
    chart.removeListener("plotly_relayout", zoom);
    chart.on("plotly_relayout", zoom);
    window.Plotly.relayout(chart, { dragmode: "zoom", "xaxis.fixedrange": false });
  }

  function zoom(change) {
    const edges = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
    if (edges.some((edge) => edge === undefined)) return;
    // the chart's times are wall clock written as if it were UTC
    const [first, last] = edges
      .map((edge) => new Date(typeof edge === "number" ? edge : `${edge.replace(" ", "T")}Z`))
      .map((time) => time.toISOString().slice(0, 10));
    const asked = new URLSearchParams(location.search);
    asked.set("days", String(1 + (Date.parse(last) - Date.parse(first)) / 86400000));
    asked.set("to", last);
    go(`${location.pathname}?${asked}`);
  }

  function go(address) {
    history.pushState({}, "", address);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate")); // what dcc.Location listens to
  }

  function tellAge() {
    const note = document.getElementById("stale");
    const old = Date.now() - answered > STALE_MS;
    if (!note || note.hidden !== old) return;
    note.querySelector("span").textContent = new Date(answered).toLocaleTimeString();
    note.hidden = !old;
    document.body.classList.toggle("old", old);
  }

  document.addEventListener("click", (click) => {
    const link = click.target.closest?.(
      ".still a[href^='/']:not([download], [href^='/round'], [href^='/photo'])", // pages of their own
    );
    if (!link || click.button || click.ctrlKey || click.metaKey || click.shiftKey || click.altKey) return;
    click.preventDefault();
    go(link.getAttribute("href"));
  });

  // Findings of a round that wait on this device outlive signing out: the board is told whether there are
  // any before it has the browser forget what it keeps.
  document.addEventListener("submit", async (submit) => {
    const form = submit.target;
    if (form.getAttribute("action") !== "/logout") return;
    submit.preventDefault();
    const waiting = await findings().catch(() => -1); // -1: not to be told, so they stay
    if (waiting && !window.confirm(form.dataset.waits.replace("{n}", waiting < 0 ? "?" : waiting))) {
      location.assign("/round");
      return;
    }
    for (const name of await window.caches?.keys().catch(() => []) ?? []) await caches.delete(name);
    const field = document.createElement("input");
    Object.assign(field, { type: "hidden", name: "waiting", value: String(waiting) });
    form.append(field);
    form.submit();
  });

  // How many entries and half-filled forms wait; what was read of units is forgotten.
  async function findings() {
    const known = await indexedDB.databases();
    if (!known.some((one) => one.name === "sillkeep-round")) return 0;
    const done = (asked) => new Promise((good, bad) => {
      asked.onsuccess = () => good(asked.result);
      asked.onerror = asked.onblocked = () => bad(asked.error);
    });
    const store = await done(indexedDB.open("sillkeep-round"));
    const work = store.transaction(["queue", "drafts", "kept"], "readwrite");
    const counts = await Promise.all(
      ["queue", "drafts"].map((name) => done(work.objectStore(name).count())),
    );
    await done(work.objectStore("kept").clear());
    store.close();
    return counts[0] + counts[1];
  }

  new MutationObserver(look).observe(document.documentElement, {
    subtree: true, childList: true, attributes: true, attributeFilter: ["data-still", "data-stills"],
  });
  setInterval(tellAge, 5000);
})();
