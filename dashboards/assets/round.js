// A round: walked without a connection, kept on the device, sent when there is one.
//
// Stores of the device: `queue` has finished entries until the board gives their identity back, `drafts`
// half-filled forms by unit and zone, `kept` what is known of units and when it was last sent.
(() => {
  "use strict";
  const FORM = JSON.parse(document.body.dataset.form);
  const SAY = FORM.say;
  const LONGEST = 1600; // picture elements of a photo's longer side
  const AGAIN_MS = [2000, 5000, 15000, 60000]; // between tries; the last one goes on
  const ROUND_MS = 12 * 3600 * 1000; // a later walk is another round
  const main = document.getElementById("main");
  const said = (sentence, values = {}) =>
    sentence.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  const clock = (ms) => new Date(ms).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

  // --- store --------------------------------------------------------------------------------------

  const done = (asked) => new Promise((good, bad) => {
    asked.onsuccess = () => good(asked.result);
    asked.onerror = () => bad(asked.error);
  });
  let opened;
  function database() {
    opened ??= (() => {
      const asked = indexedDB.open("sillkeep-round", 1);
      asked.onupgradeneeded = () => {
        asked.result.createObjectStore("queue", { keyPath: "entry.identity" });
        asked.result.createObjectStore("drafts");
        asked.result.createObjectStore("kept");
      };
      return done(asked);
    })();
    return opened;
  }
  // Work in one transaction; it is on the disk when this is over.
  async function work(stores, act, mode = "readwrite") {
    const base = await database();
    const job = base.transaction(stores, mode, { durability: "strict" });
    const ended = new Promise((good, bad) => {
      job.oncomplete = good;
      job.onerror = job.onabort = () => bad(job.error);
    });
    const result = act(...stores.map((name) => job.objectStore(name)));
    await ended;
    return result instanceof IDBRequest ? result.result : result;
  }
  const read = (store, key) => work([store], (s) => s.get(key), "readonly");
  const all = (store) => work([store], (s) => s.getAll(), "readonly");
  const write = (store, value, key) => work([store], (s) => s.put(value, key));

  // --- page parts ---------------------------------------------------------------------------------

  function el(tag, given = {}, ...inside) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(given)) {
      if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
      else if (name in made && typeof value === "boolean") made[name] = value;
      else if (value !== undefined && value !== null) made.setAttribute(name, value);
    }
    made.append(...inside.flat().filter((one) => one !== null && one !== undefined && one !== ""));
    return made;
  }
  const caution = (text) => (text ? el("p", { class: "caution" }, text) : null);

  function choices(name, pairs, chosen, onpick) {
    return el("div", { class: "choices" }, pairs.map(([value, label]) =>
      el("label", {},
        el("input", {
          type: "radio", name, value, checked: value === chosen,
          // a second touch takes the answer back
          onclick: (click) => { if (click.target.value === picked[name]) { click.target.checked = false; picked[name] = ""; onpick(""); } },
          onchange: () => { picked[name] = value; onpick(value); },
        }),
        el("span", {}, label))));
  }
  let picked = {}; // last choice of each group, to tell a second touch

  // --- queue --------------------------------------------------------------------------------------

  const status = el("section", { class: "queue", "aria-live": "polite" });
  let trouble = ""; // "", "no_reach", "signed_out", or what the board said
  let busy = false;

  async function showQueue() {
    const [waiting, sent] = await Promise.all([all("queue"), read("kept", "sent")]);
    const refused = waiting.filter((one) => one.refused);
    status.classList.toggle("waits", waiting.length > 0);
    status.dataset.waiting = waiting.length;
    const buttons = [];
    if (waiting.length) {
      buttons.push(el("button", { type: "button", onclick: () => send(true), disabled: busy }, busy ? SAY.sending : SAY.send));
      buttons.push(el("button", { type: "button", class: "quiet", onclick: carry }, SAY.export));
    }
    if (trouble === "signed_out") {
      const back = encodeURIComponent(location.pathname + location.hash);
      buttons.unshift(el("a", { class: "button", href: `/login?next=${back}` }, SAY.sign_in));
    }
    status.replaceChildren(
      el("p", {}, el("b", {}, waiting.length ? said(SAY.waiting, { n: waiting.length }) : SAY.nothing_waits)),
      el("p", {}, sent ? said(SAY.sent, { at: clock(sent.at_ms) }) : SAY.never),
      trouble ? el("p", { role: "alert" }, SAY[trouble] ?? trouble) : "",
      refused.length ? el("p", { role: "alert" }, SAY.refused) : "",
      refused.length ? el("ul", {}, refused.map(({ entry, refused: why }) =>
        el("li", {}, `${entry.unit} ${entry.zone}: ${why}`))) : "",
      buttons.length ? el("div", { class: "buttons" }, buttons) : "",
      waiting.length ? el("p", { class: "aside" }, SAY.export_why) : "",
    );
  }

  class Stop extends Error {}

  async function ask(address, given = {}) {
    let answer;
    try {
      answer = await fetch(address, { credentials: "same-origin", redirect: "manual", cache: "no-store", ...given });
    } catch {
      throw new Stop("no_reach");
    }
    // a session that is over leads to the door (an opaque redirect) or says 401
    if (answer.type === "opaqueredirect" || answer.status === 401) throw new Stop("signed_out");
    if (answer.status >= 500) throw new Stop("no_reach");
    return answer;
  }

  let tries = 0;
  let timer = 0;
  // Sends what waits, one entry after the other; each leaves only when its identity came back.
  async function send(byHand = false) {
    if (busy) return;
    busy = true;
    try {
      const once = () => sendAll(byHand);
      if (await (navigator.locks ? navigator.locks.request("sillkeep-round", once) : once())) trouble = "";
      tries = 0;
    } catch (stop) {
      if (!(stop instanceof Stop)) throw stop;
      trouble = stop.message;
    } finally {
      busy = false;
      await showQueue();
      again();
    }
  }

  async function again() {
    clearTimeout(timer);
    const waits = (await all("queue")).some((one) => !one.refused);
    if (!waits || trouble === "signed_out") return;
    timer = setTimeout(send, AGAIN_MS[Math.min(tries, AGAIN_MS.length - 1)]);
    tries += 1;
  }

  async function sendAll(refusedToo) {
    const waiting = (await all("queue"))
      .filter((one) => refusedToo || !one.refused)
      .sort((a, b) => a.entry.at_s - b.entry.at_s);
    if (!waiting.length) return false;
    await showQueue();
    let token = (await (await ask("/round-token")).json()).token;
    for (const one of waiting) {
      let answer = await ask("/round-send", { method: "POST", body: body(one, token) });
      if (answer.status === 403) { // somebody else signed in meanwhile
        token = (await (await ask("/round-token")).json()).token;
        answer = await ask("/round-send", { method: "POST", body: body(one, token) });
        if (answer.status === 403) throw new Stop((await answer.text()).trim());
      }
      const told = await answer.json().catch(() => ({}));
      if (answer.ok && told.received === one.entry.identity) {
        await work(["queue", "kept"], (queue, kept) => {
          queue.delete(one.entry.identity);
          kept.put({ at_ms: Date.now() }, "sent");
        });
      } else {
        await write("queue", { ...one, refused: told.refused ?? `${answer.status}` });
      }
      await showQueue();
    }
    return true;
  }

  function body({ entry, photos }, token) {
    const form = new FormData();
    form.append("token", token);
    form.append("entry", JSON.stringify(entry));
    photos.forEach((photo, k) => form.append("photo", new Blob([photo], { type: "image/jpeg" }), `${k}.jpg`));
    return form;
  }

  // The last resort: all that waits as one file, photos within.
  async function carry() {
    const entries = [];
    for (const { entry, photos } of await all("queue")) {
      entries.push({ entry, photos: photos.map(base64) });
    }
    const file = new Blob([JSON.stringify({ format: "sillkeep round 1", entries })], { type: "application/json" });
    const link = el("a", { href: URL.createObjectURL(file), download: `round-${new Date().toISOString().slice(0, 10)}.json` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }
  function base64(bytes) {
    const parts = [];
    const view = new Uint8Array(bytes);
    for (let k = 0; k < view.length; k += 32768) parts.push(String.fromCharCode(...view.subarray(k, k + 32768)));
    return btoa(parts.join(""));
  }

  // --- what is known of units ---------------------------------------------------------------------

  async function known() {
    const unit = named();
    try {
      const answer = await ask(`/round-data${unit ? `?unit=${encodeURIComponent(unit)}` : ""}`);
      if (!answer.ok) throw new Stop((await answer.text()).trim());
      const data = await answer.json();
      await write("kept", { at_ms: Date.now(), data }, "data");
      trouble = "";
    } catch (stop) {
      if (!(stop instanceof Stop)) throw stop;
      trouble = stop.message;
    }
    return read("kept", "data");
  }
  const named = () => decodeURIComponent(location.pathname.replace(/^\/round\/?/, ""));
  const isOld = (kept) => Math.abs(Date.now() - kept.at_ms) > FORM.old_s * 1000;

  async function walkIdentity() {
    const round = await read("kept", "round");
    if (round && Math.abs(Date.now() - round.begun_ms) < ROUND_MS) return round;
    // `walls`: how the walls of a unit are built, as told in this round; later the record knows it
    const begun = { identity: crypto.randomUUID(), begun_ms: Date.now(), looked: [], walls: {} };
    await write("kept", begun, "round");
    return begun;
  }

  // --- the list -----------------------------------------------------------------------------------

  const word = (zone, old) => (old ? FORM.unknown : zone.said);
  const isUnknown = (zone, old) => old || zone.word === "unknown";

  async function showList(kept) {
    const old = isOld(kept);
    const round = await walkIdentity();
    const by = Object.fromEntries(kept.data.units.map((unit) => [unit.code, unit]));
    const item = (unit) => {
      const unknown = unit.zones.filter((zone) => isUnknown(zone, old)).length;
      const looked = unit.zones.filter((zone) => round.looked.includes(`${unit.code}/${zone.code}`)).length;
      return el("li", {}, el("a", { href: `/round/${encodeURIComponent(unit.code)}` },
        el("b", { class: "place" }, unit.slot), el("b", {}, unit.code), el("span", {}, unit.name),
        el("span", { class: "is" }, `${looked}/${unit.zones.length} ✓${unknown ? ` · ${FORM.unknown} ${unknown}` : ""}`)));
    };
    const walk = kept.data.walk.filter((code) => code in by);
    const others = kept.data.units.filter((unit) => !walk.includes(unit.code));
    main.replaceChildren(
      el("h1", {}, SAY.title), status,
      el("p", { class: old ? "stop" : "aside" }, said(old ? SAY.old : SAY.known, { at: clock(kept.at_ms) })),
      el("section", {}, el("h2", {}, SAY.first), caution(SAY.power), caution(SAY.smell)),
      el("h2", {}, SAY.list),
      walk.length ? el("ol", { class: "way" }, walk.map((code) => item(by[code]))) : el("p", {}, SAY.none),
      el("p", {}, el("a", { class: "button", href: "/morning" }, SAY.printed)),
      others.length ? el("h2", {}, SAY.others) : "",
      others.length ? el("ul", { class: "way" }, others.map(item)) : "",
      el("section", { class: "unknowns" }, el("h2", {}, SAY.unknowns), el("ul", {}, el("li", {}, SAY.unseen), el("li", {}, SAY.late))),
    );
  }

  // --- a unit, zone by zone -----------------------------------------------------------------------

  async function showUnit(kept, code) {
    const unit = kept.data.units.find((one) => one.code === code);
    const back = el("p", { class: "back" }, el("a", { class: "button", href: "/round" }, `← ${SAY.back}`));
    if (!unit || !unit.zones.length) {
      main.replaceChildren(el("h1", {}, code), back, status, el("p", {}, said(SAY.no_unit, { unit: code })));
      return;
    }
    const chosen = (await walkIdentity()).walls[code] ?? unit.construction;
    if (!chosen) {
      main.replaceChildren(back, el("h1", {}, unit.code, el("small", {}, unit.slot)), status, askWalls(kept, unit, ""));
      return;
    }
    const wanted = decodeURIComponent(location.hash.slice(1));
    const k = Math.max(unit.zones.findIndex((zone) => zone.code === wanted), 0);
    await showZone(kept, unit, k, chosen, back);
  }

  function askWalls(kept, unit, chosen) {
    picked = {};
    return el("fieldset", { id: "walls" },
      el("legend", {}, SAY.construction), el("p", {}, SAY.construction_why),
      choices("construction", FORM.constructions, chosen, async (value) => {
        if (!value) return;
        const round = await walkIdentity();
        round.walls[unit.code] = value;
        await write("kept", round, "round");
        await show();
      }));
  }

  async function showZone(kept, unit, k, walls, back) {
    const zone = unit.zones[k];
    const place = `${unit.code}/${zone.code}`;
    const old = isOld(kept);
    const round = await walkIdentity();
    const draft = (await read("drafts", place)) ?? { checks: {}, meter: {}, photos: [] };
    picked = {};
    const message = el("p", { class: "said", role: "status" });
    const keep = () => {
      saving = saving
        .then(() => (isEmpty(draft) ? work(["drafts"], (drafts) => drafts.delete(place)) : write("drafts", draft, place)))
        .catch(() => { message.textContent = SAY.full; });
      return saving;
    };
    const wallsLabel = FORM.constructions.find(([key]) => key === walls)?.[1] ?? walls;
    const checks = zone.checks
      .filter((check) => !(old && zone.is_roof && check === "sealant"))
      .map((check) => checkPart(check, draft, keep, walls));
    const looked = round.looked.includes(place);
    const roofSaid = old ? FORM.roof_old : unit.roof.said;
    main.replaceChildren(
      back,
      el("h1", {}, zone.code, el("small", {}, `${zone.kind} · ${unit.code} ${unit.slot}`)),
      status,
      old ? el("p", { class: "stop" }, said(SAY.old, { at: clock(kept.at_ms) })) : "",
      el("p", {}, said(SAY.zone_of, { k: k + 1, n: unit.zones.length }), " · ",
        el("b", { class: isUnknown(zone, old) ? "is-unknown" : "" }, word(zone, old)), looked ? ` · ✓ ${SAY.done}` : ""),
      zone.alarms.length ? el("p", {}, said(SAY.alarms, { alarms: zone.alarms.join(", ") })) : "",
      zone.last ? el("p", { class: "aside" }, said(SAY.found_before, { last: zone.last })) : "",
      zone.is_roof || k === 0 ? caution(roofSaid) : "",
      zone.is_roof ? el("p", {}, SAY.inside) : "",
      zone.roof_step && !old ? el("p", { class: "roof-step" }, zone.roof_step) : "",
      el("p", {}, said(SAY.construction_is, { construction: wallsLabel }), " ",
        el("button", { type: "button", class: "quiet", onclick: () => {
          main.replaceChildren(back, el("h1", {}, unit.code), status, askWalls(kept, unit, walls));
        } }, SAY.change)),
      el("form", { novalidate: true, onsubmit: (submit) => { submit.preventDefault(); save(); } },
        checks, meterPart(draft, keep, kept.data.fahrenheit), photoPart(draft, keep, message),
        resultPart(draft, keep), notePart(draft, keep), message,
        el("div", { class: "buttons" }, el("button", { type: "submit" }, SAY.save),
          el("button", { type: "button", class: "quiet", onclick: clear }, SAY.clear))),
      el("nav", { class: "steps-of" },
        k > 0 ? el("a", { class: "button", href: `#${encodeURIComponent(unit.zones[k - 1].code)}` }, `← ${SAY.previous}`) : el("span"),
        k + 1 < unit.zones.length ? el("a", { class: "button", href: `#${encodeURIComponent(unit.zones[k + 1].code)}` }, `${SAY.next} →`) : el("span")),
      el("section", { class: "unknowns" }, el("h2", {}, SAY.unknowns), el("ul", {},
        el("li", {}, said(SAY.unknown_zones, { n: unit.zones.filter((one) => isUnknown(one, old)).length, total: unit.zones.length })),
        el("li", {}, SAY.unseen), el("li", {}, SAY.late))),
    );

    async function clear() {
      await saving;
      await work(["drafts"], (drafts) => drafts.delete(place));
      await show();
    }

    async function save() {
      const { meter, wrong } = meterOf(draft, kept.data.fahrenheit);
      if (wrong) { message.textContent = wrong; return; }
      const checked = Object.fromEntries(Object.entries(draft.checks).filter(([, answer]) => answer));
      const note = (draft.note ?? "").trim();
      if (!Object.keys(checked).length && !meter && !draft.result && !note && !draft.photos.length) {
        message.textContent = SAY.empty;
        return;
      }
      const entry = {
        identity: crypto.randomUUID(), round: round.identity, unit: unit.code, zone: zone.code,
        at_s: Math.floor(Date.now() / 1000), by: kept.data.who, construction: walls,
        checks: checked, result: draft.result ?? "", note, meter,
      };
      round.looked = [...new Set([...round.looked, place])];
      await saving;
      try {
        await work(["queue", "drafts", "kept"], (queue, drafts, shelf) => {
          queue.add({ entry, photos: draft.photos });
          drafts.delete(place);
          shelf.put(round, "round");
        });
      } catch {
        message.textContent = SAY.full;
        return;
      }
      navigator.storage?.persist?.();
      if (k + 1 < unit.zones.length) location.hash = encodeURIComponent(unit.zones[k + 1].code);
      else location.assign("/round");
      window.scrollTo(0, 0);
      tries = 0;
      send();
    }
  }
  const isEmpty = (draft) => !draft.photos.length && !draft.result && !(draft.note ?? "").trim()
    && !Object.values(draft.checks).some(Boolean) && !Object.values(draft.meter).some(Boolean);
  let saving = Promise.resolve(); // drafts are written one after the other

  function checkPart(check, draft, keep, walls) {
    const { title, how, before, answers, after } = FORM.checks[check];
    const more = el("div", { role: "status" });
    const tell = (answer) => {
      const flex = check === "sight" && answer === "wavy" && walls === "hung";
      more.replaceChildren(...[
        after[answer] ? el("p", { class: "stop" }, after[answer]) : "",
        flex ? el("p", {}, SAY.flex) : "",
      ].filter(Boolean));
    };
    picked[check] = draft.checks[check] ?? "";
    tell(picked[check]);
    return el("fieldset", { id: `check-${check}` }, el("legend", {}, title), el("p", {}, how), caution(before),
      choices(check, answers, draft.checks[check], (answer) => { draft.checks[check] = answer; tell(answer); keep(); }),
      more);
  }

  // --- hand meter ---------------------------------------------------------------------------------

  const number = (text) => (text ?? "").trim().replace(",", ".");

  function meterPart(draft, keep, fahrenheit) {
    const meter = draft.meter;
    const label = el("p", { role: "status", class: "band" });
    const tell = () => {
      const percent = Number.parseFloat(number(meter.percent));
      const band = FORM.bands.find(([least]) => percent >= least);
      label.textContent = band ? `${band[1]} (${SAY.scale})` : "";
    };
    const field = (name, title, mode) => el("div", { class: "field" },
      el("label", { for: `meter-${name}` }, title),
      el("input", { id: `meter-${name}`, type: "text", inputmode: mode ?? "text", maxlength: 80, autocomplete: "off",
        value: meter[name] ?? "", oninput: (input) => { meter[name] = input.target.value; tell(); keep(); } }));
    picked.mode = meter.mode ?? "";
    tell();
    return el("fieldset", { id: "meter" }, el("legend", {}, SAY.meter),
      el("div", { class: "fields" }, field("percent", SAY.percent, "decimal"), field("device", SAY.device)),
      label,
      el("p", {}, SAY.mode), choices("mode", FORM.modes, meter.mode, (mode) => { meter.mode = mode; keep(); }),
      el("div", { class: "fields" }, field("scale", SAY.scale_of),
        field("temperature", said(SAY.temperature, { unit: fahrenheit ? "°F" : "°C" }), "decimal"),
        field("depth", SAY.depth, "decimal")));
  }

  // A reading as it is sent, null where there is none, or what is wrong with it.
  function meterOf(draft, fahrenheit) {
    const given = draft.meter;
    const any = ["percent", "device", "scale", "temperature", "depth"].some((name) => number(given[name])) || given.mode;
    if (!any) return { meter: null };
    const spans = { percent: [0, 100, SAY.percent], depth: [0, 200, SAY.depth],
      temperature: [-40, fahrenheit ? 185 : 85, said(SAY.temperature, { unit: fahrenheit ? "°F" : "°C" })] };
    const found = {};
    for (const [name, [low, high, title]] of Object.entries(spans)) {
      const text = number(given[name]);
      const needed = name === "percent";
      if (!text && !needed) continue;
      const value = Number(text);
      if (!text || !Number.isFinite(value) || value < low || value > high) return { wrong: said(SAY.no_number, { field: title }) };
      found[name] = value;
    }
    if (!number(given.device) || !given.mode) return { wrong: SAY.no_evidence };
    const meter = { device: given.device.trim(), mode: given.mode, percent: found.percent, scale: (given.scale ?? "").trim() };
    if ("temperature" in found) meter.temperature_c = fahrenheit ? Math.round((found.temperature - 32) / 0.018) / 100 : found.temperature;
    if ("depth" in found) meter.depth_mm = found.depth;
    return { meter };
  }

  // --- photos, result, note -----------------------------------------------------------------------

  async function shrunk(file) {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
    const canvas = el("canvas", {});
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    const blob = await new Promise((good) => { canvas.toBlob(good, "image/jpeg", 0.82); });
    return blob.arrayBuffer(); // bytes: some browsers lose a Blob in their store
  }

  function photoPart(draft, keep, message) {
    const shown = el("div", { class: "photos" });
    const paint = () => shown.replaceChildren(...draft.photos.map((photo, k) => el("figure", {},
      el("img", { alt: `${SAY.photo} ${k + 1}`, src: `data:image/jpeg;base64,${base64(photo)}` }),
      el("button", { type: "button", class: "quiet", onclick: () => { draft.photos.splice(k, 1); keep(); paint(); } }, SAY.remove))));
    const add = async (change) => {
      const files = [...change.target.files];
      change.target.value = "";
      for (const file of files) {
        if (draft.photos.length >= FORM.photos) break;
        try {
          draft.photos.push(await shrunk(file));
        } catch {
          message.textContent = SAY.no_photo;
        }
      }
      await keep();
      paint();
    };
    paint();
    return el("fieldset", { id: "photos" }, el("legend", {}, SAY.photo), el("p", {}, said(SAY.photo_why, { n: FORM.photos })),
      shown,
      el("input", { id: "photo", type: "file", accept: "image/*", multiple: true, onchange: add }),
      el("label", { class: "button", for: "photo" }, SAY.add_photo));
  }

  function resultPart(draft, keep) {
    picked.result = draft.result ?? "";
    return el("fieldset", { id: "result" }, el("legend", {}, SAY.result), el("p", {}, SAY.result_why),
      choices("result", FORM.results, draft.result, (result) => { draft.result = result; keep(); }));
  }

  function notePart(draft, keep) {
    const field = el("textarea", { id: "note", maxlength: 1000, oninput: (input) => { draft.note = input.target.value; keep(); } });
    field.value = draft.note ?? "";
    return el("fieldset", {}, el("legend", {}, el("label", { for: "note" }, SAY.note)), field);
  }

  // --- life of the page ---------------------------------------------------------------------------

  let kept;
  async function show() {
    const code = named();
    if (!kept) main.replaceChildren(el("h1", {}, SAY.title), status, el("p", {}, SAY.no_data));
    else if (code) await showUnit(kept, code);
    else await showList(kept);
    const heading = main.querySelector("h1")?.firstChild?.textContent ?? SAY.title;
    document.title = `${heading} – Sillkeep`;
    await showQueue();
  }

  async function begin() {
    try {
      await database();
    } catch {
      main.replaceChildren(el("h1", {}, SAY.title), el("p", { class: "stop" }, SAY.not_kept));
      return;
    }
    kept = await read("kept", "data");
    if (kept) await show(); // at once, whatever the network does
    const newer = await known();
    // nothing is drawn anew under a finger: an open zone waits for the next step
    const isFirst = !kept || !named();
    kept = newer;
    if (isFirst || !document.querySelector("form")) await show();
    else await showQueue();
    if (trouble !== "signed_out") send();
    if ("serviceWorker" in navigator) {
      await navigator.serviceWorker.register("/round-worker.js", { scope: "/round" });
      await navigator.serviceWorker.ready;
      document.body.dataset.kept = "1";
    }
  }

  window.addEventListener("hashchange", () => { window.scrollTo(0, 0); show(); });
  window.addEventListener("online", () => { tries = 0; send(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { tries = 0; send(); } });
  begin();
})();
