"use strict";
// The day: scans as they come, mixes in their order. All words from outside are set as text.
(() => {
  const by = (id) => document.getElementById(id);
  const KEPT = "desk-token", AGAIN_MS = 1000;
  const OUTCOMES = { measured: ["sound", "✓ measured"], "measured with notes": ["noted", "! look at it"], refused: ["refused", "✕ refused"] };
  const URGENCY = ["refused", "measured with notes", "measured"];
  const channel = new BroadcastChannel("desk");
  const rows = new Map(), mixes = new Map();
  let token = null, day = null, asking = false, stale = false, wanted = null;

  // ---- talking to the desk

  async function ask(method, path, body) {
    const isScan = body instanceof Blob, headers = { authorization: `Bearer ${token}` };
    if (body !== undefined) headers["content-type"] = isScan ? "application/octet-stream" : "application/json";
    let answer;
    try {
      answer = await fetch(path, { method, headers, body: body === undefined || isScan ? body : JSON.stringify(body) });
    } catch {
      throw Object.assign(new Error("The desk did not answer: nothing was done. Try again."), { status: 0 });
    }
    const said = await answer.json().catch(() => ({}));
    if (answer.ok) return said;
    if (answer.status === 401) gate();
    throw Object.assign(new Error(said.error ?? `The desk said ${answer.status}.`), { status: answer.status, newer: said.newer });
  }

  function say(words, isAlarm = false) {
    const line = document.createElement("p"), close = document.createElement("button");
    line.className = isAlarm ? "alarm" : "";
    line.append(document.createTextNode(words), close);
    Object.assign(close, { type: "button", textContent: "Seen" });
    close.addEventListener("click", () => line.remove());
    by("said").append(line);
    while (by("said").children.length > 4) by("said").firstChild.remove();
    if (!isAlarm) setTimeout(() => line.remove(), 15000);
  }

  const failed = (fault) => { say(fault.message, true); return news(); };

  async function news() {
    if (asking) { stale = true; return; }
    asking = true;
    try {
      do {
        stale = false;
        day = await ask("GET", "/api/day");
        skew = Date.parse(day.now) - Date.now();
        away(false);
        show();
      } while (stale);
    } catch (fault) {
      if (fault.status === 0) away(true);
    } finally { asking = false; }
  }

  function away(is) { by("away").hidden = !is; }

  // One page of this browser holds the stream for all: a browser keeps six connections only.
  async function listen() {
    for (;;) {
      try {
        const answer = await fetch("/api/news", { headers: { authorization: `Bearer ${token}` } });
        if (answer.status === 401) return gate();
        const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
        for (let got = await reader.read(); !got.done; got = await reader.read()) {
          if (!got.value.includes("data:")) continue;
          channel.postMessage("news");
          news();
        }
      } catch { /* it has gone; told below */ }
      away(true);
      channel.postMessage("away");
      await new Promise((wake) => setTimeout(wake, AGAIN_MS));
    }
  }
  channel.onmessage = ({ data }) => { if (token) data === "away" ? away(true) : news(); };

  // ---- who is there

  function gate() {
    token = null;
    by("gate").hidden = false;
    by("day").hidden = true;
    by("code").focus();
  }

  by("gate").addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      token = await ask("POST", "/api/enter", { code: by("code").value });
      localStorage.setItem(KEPT, token);
      by("code").value = "";
      start();
    } catch (fault) { say(fault.message, true); }
  });

  function start() {
    by("gate").hidden = true;
    by("day").hidden = false;
    by("page").focus(); // it scrolls, by keys too
    news();
    if (navigator.locks) navigator.locks.request(`desk ${token}`, listen);
    else listen();
  }

  // ---- scans

  function show() {
    document.title = day.folder;
    by("folder").textContent = day.folder;
    const count = (outcome) => day.scans.filter((scan) => scan.outcome === outcome).length;
    const late = day.scans.filter((scan) => scan.late).length;
    by("tally").textContent = [
      `${day.scans.length} impression${day.scans.length === 1 ? "" : "s"}`,
      ...(late ? [`${late} past ${late === 1 ? "its" : "their"} pour time`] : []),
      ...(count(URGENCY[1]) ? [`${count(URGENCY[1])} to look at`] : []),
      ...(count("refused") ? [`${count("refused")} refused`] : []),
      ...(day.waiting.length ? [`${day.waiting.length} being sized`] : []),
    ].join(", ");
    by("made-with").textContent = `Made with: ${day.made_with}.`;
    by("told").replaceChildren(...day.told.map(item));
    by("waiting").textContent = day.waiting.length ? `Being sized: ${day.waiting.join(", ")}` : "";
    if (by("material").length === 1) by("material").append(...day.materials.map((name) => new Option(name)));
    list();
    listMixes();
    openWanted();
    if (Look.id()) Look.renew(day.scans.find((scan) => scan.id === Look.id()));
  }

  const item = (words) => Object.assign(document.createElement("li"), { textContent: words });

  function kept(scan) {
    const find = by("find").value.trim().toLocaleLowerCase(), which = by("show").value;
    const words = `${scan.name} ${scan.notes.map((note) => note.code).join(" ")}`.toLocaleLowerCase();
    return words.includes(find) && (which === "all" || (which === "open" ? scan.volume_ml !== null && !scan.poured
      : OUTCOMES[scan.outcome][0] === which || (which === "noted" && scan.late)));
  }

  const ORDERS = {
    urgency: (a, b) => b.late - a.late || URGENCY.indexOf(a.outcome) - URGENCY.indexOf(b.outcome),
    arrived: (a, b) => b.arrived - a.arrived,
    name: (a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }),
    powder_g: (a, b) => (b.powder_g ?? -1) - (a.powder_g ?? -1),
  };

  function list() {
    const scans = day.scans.filter(kept).sort(ORDERS[by("order").value]);
    const known = new Set(day.scans.map((scan) => scan.id));
    for (const id of rows.keys()) if (!known.has(id)) rows.delete(id);
    order(by("list"), scans.map(line));
    by("nothing").hidden = scans.length > 0;
    by("nothing").textContent = day.scans.length ? "None of the scans is like that." : "No scan has come yet: bring one, or export it into the folder.";
  }

  // Moves as little as possible, so that whoever stands on a line with the keyboard stays there.
  function order(parent, wanted) {
    for (const child of [...parent.children]) if (!wanted.includes(child)) child.remove();
    wanted.forEach((child, k) => { if (parent.children[k] !== child) parent.insertBefore(child, parent.children[k] ?? null); });
  }

  // One line of a list, made from its template when it is new, and what puts words into it.
  function lineOf(known, template, id, begin) {
    const made = known.get(id) ?? by(template).content.firstElementChild.cloneNode(true);
    if (!known.has(id)) begin(made, id);
    known.set(id, made);
    return [made, (name, words) => { const cell = made.querySelector(`[data-show=${name}]`); if (cell.textContent !== words) cell.textContent = words; }];
  }

  function line(scan) {
    const [made, put] = lineOf(rows, "a-scan", scan.id, (one, id) => one.querySelector("button").addEventListener("click", () => openScan(id)));
    const [kind, words] = OUTCOMES[scan.outcome], amount = (cell, unit) => (cell === "-" ? "-" : `${cell} ${unit}`);
    made.className = `${kind}${scan.id === Look.id() ? " opened" : ""}${scan.poured ? " poured" : ""}${scan.late ? " late" : ""}`;
    put("name", scan.name);
    put("outcome", [...(scan.late ? ["!! past its pour time: ask first"] : []), scan.again ? "… being sized again" : words, ...(scan.before ? ["cut or box first"] : []), ...(scan.saved ? ["line saved"] : []), ...(scan.poured ? ["poured"] : [])].join(", "));
    put("water", amount(scan.water, "mL"));
    put("powder", amount(scan.powder, `g${scan.stone && scan.stone !== "-" ? ` ${scan.stone}` : ""}`));
    put("scoops", scan.scoops);
    put("volume", amount(scan.volume, "mL"));
    return made;
  }

  function openScan(id) {
    if (id === Look.id() || !Look.confirmed()) return; // what is held of an open one stays
    by("day").classList.add("looking");
    Look.open(day.scans.find((scan) => scan.id === id));
    list();
  }

  // A card was read by the camera: its scan is opened as soon as it is there.
  function openWanted() {
    const found = day.scans.find((scan) => scan.id === wanted);
    if (!wanted || (!found && day.waiting.length)) return;
    wanted = null;
    part("scans");
    if (found) openScan(found.id);
    else say("The scan of this card is not on the desk: its file is not in this folder any more, or the card is of another day.", true);
  }

  for (const id of ["find", "show", "order"]) by(id).addEventListener("input", () => day && list());

  // ---- scans that are brought

  async function bring(files) {
    for (const file of files) {
      try {
        const { new: isNew } = await ask("PUT", `/api/scans?name=${encodeURIComponent(file.name)}`, file);
        say(isNew ? `${file.name} is in the folder.` : `${file.name} was in the folder already.`);
      } catch (fault) { say(`${file.name}: ${fault.message}`, true); }
    }
  }
  by("pick").addEventListener("change", async () => { await bring([...by("pick").files]); by("pick").value = ""; });
  document.addEventListener("dragover", (event) => {
    if (!event.dataTransfer.types.includes("Files")) return;
    event.preventDefault();
    document.body.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) document.body.classList.remove("dropping"); });
  document.addEventListener("drop", (event) => {
    document.body.classList.remove("dropping");
    if (!event.dataTransfer.files.length) return;
    event.preventDefault();
    if (token) bring([...event.dataTransfer.files]);
  });

  // ---- mixes

  function listMixes() {
    by("at-most").value = String(day.at_most);
    const open = day.mixes.filter((mix) => !mix.poured);
    by("to-mixes").textContent = `Mixes (${open.length} to pour)`;
    by("to-scans").textContent = `Scans (${day.scans.length})`;
    by("no-mix").hidden = day.mixes.length > 0;
    const known = new Set(day.mixes.map((mix) => mix.id));
    for (const id of mixes.keys()) if (!known.has(id)) for (const of of [mixes, clocks]) of.delete(id);
    // In one order, begun ones first: what is ticked must not give its place under the finger to another.
    order(by("mix-list"), day.mixes.map(mixLine));
  }

  function mixLine(mix) {
    const [made, put] = lineOf(mixes, "a-mix", mix.id, work);
    const doing = (name) => made.querySelector(`[data-do=${name}]`);
    const each = mix.mixes > 1 ? `${mix.mixes} equal mixes, each ` : "";
    put("amounts", `${each}water ${mix.water}, powder ${mix.powder}`);
    put("at", mix.poured ? `Poured at ${clockTime(mix.poured)}, ${mix.then} from ${clockTime(mix.poured, mix.then_min)} on:`
      : mix.begun ? `Being mixed since ${clockTime(mix.begun)}:` : `${mix.late.length ? `ASK FIRST about ${mix.late.join(", ")}. ` : ""}Begin at ${mix.at}:`);
    put("names", mix.names.map(({ name, volume_ml, by: until }) => `${name} (${volume_ml.toFixed(1)}\u00a0mL${until ? `, pour ${until}` : ""})`).join(" + "));
    put("more", [mix.stone, mix.scoops, mix.bowl, mix.ratio].filter(Boolean).join(" · "));
    made.querySelector("[data-show=notes]").replaceChildren(...mix.notes.map((note) =>
      Object.assign(document.createElement("p"), { className: "alarm", textContent: `${note.text} ${note.do}` })));
    const steps = made.querySelector("[data-show=steps]");
    if (!steps.children.length) steps.append(...mix.steps.map(item));
    put("short", `If it does not reach: ${mix.short.join(" ")}`);
    made.className = mix.booked ? "done" : mix.poured ? "poured" : mix.begun ? "begun" : "";
    doing("begin").hidden = Boolean(mix.begun || mix.poured);
    doing("drop").hidden = doing("print").hidden = !mix.begun || Boolean(mix.poured);
    clocks.set(mix.id, mix.begun && !mix.poured && mix.working_min !== null
      ? Math.min(Date.parse(mix.begun) + mix.working_min * 60000, mix.until === null ? Infinity : Date.parse(mix.until)) - skew : null);
    doing("tick").checked = Boolean(mix.poured);
    doing("tick").disabled = mix.booked !== null;
    doing("book").hidden = !mix.poured || mix.booked !== null || !day.books;
    doing("strike").hidden = mix.booked === null;
    put("booked", mix.booked !== null ? `Booked as pour ${mix.booked}: ${Math.abs(mix.left_g)} g ${mix.left_g < 0 ? "short" : "left"}.`
      : mix.poured && !day.books ? "Leftovers are not booked: the desk was started without a journal." : "");
    return made;
  }

  function clockTime(iso, minutes = 0) {
    return new Date(Date.parse(iso) + minutes * 60000).toTimeString().slice(0, 5);
  }

  // Until when each mix that is begun must be poured, by this tablet's clock; all tablets see it.
  const clocks = new Map();
  let skew = 0;
  function tick() {
    for (const [id, until] of clocks) {
      const clock = mixes.get(id)?.querySelector("[data-show=clock]");
      if (!clock) continue;
      const left = Math.round((until - Date.now()) / 1000), size = Math.abs(left);
      const words = `${Math.floor(size / 60)}:${String(size % 60).padStart(2, "0")}`;
      clock.textContent = until === null ? "" : left >= 0 ? `pour within ${words}` : `its time is over since ${words}`;
      clock.classList.toggle("alarm", until !== null && left < 60);
    }
  }
  setInterval(tick, 1000);

  function work(made, id) {
    const doing = (name) => made.querySelector(`[data-do=${name}]`);
    const tell = (what, body, done = () => {}) => ask("POST", `/api/mixes/${id}/${what}`, body).then((said) => { done(said); return news(); }).catch(failed);
    doing("begin").addEventListener("click", () => tell("begin", { begun: true }));
    doing("drop").addEventListener("click", () => tell("begin", { begun: false }));
    doing("print").addEventListener("click", () => tell("print", {}, (ticket) => openCards(`${ticket}&mix=${id}`)));
    doing("tick").addEventListener("change", () => {
      by("mix-list").classList.add("resting");  // a second tap of the same finger is meant for nothing else
      setTimeout(() => by("mix-list").classList.remove("resting"), 700);
      tell("tick", { poured: doing("tick").checked });
    });
    doing("short").addEventListener("change", () => {
      made.querySelector("[data-show=left-label]").textContent = doing("short").checked ? "more was needed, g" : "leftover, g";
    });
    doing("book").addEventListener("submit", (event) => {
      event.preventDefault();
      const text = doing("left").value.trim().replace(",", "."), grams = Number(text);
      if (text === "" || !Number.isFinite(grams) || grams < 0) return say("Type the leftover in g: 0 or more.", true);
      const mix = day.mixes.find((one) => one.id === id), much = 2 * grams > (mix?.powder_g ?? Infinity);
      if (much && made.dataset.asked !== text) {
        made.dataset.asked = text;
        return say(`${text} g is more than half of the mix. Press Book once more if it is so.`, true);
      }
      tell("book", { left_g: doing("short").checked ? -grams : grams }, (number) => { doing("left").value = ""; say(`Booked as pour ${number}.`); });
    });
    doing("strike").addEventListener("click", () => tell("strike", {}, () => say("Struck out: it can be booked again.")));
  }

  by("at-most").addEventListener("change", () => ask("POST", "/api/share", { at_most: Number(by("at-most").value) }).catch(failed));

  const openCards = (ticket) => open(`/sheet?ticket=${ticket}`, "_blank", "noopener");
  by("print").addEventListener("click", () => ask("POST", "/api/ticket", {}).then(openCards).catch(failed));

  // ---- parts of the page

  function part(name) {
    for (const one of ["scans", "mixes"]) by(`to-${one}`).setAttribute("aria-pressed", String(one === name));
    by("day").classList.toggle("mixing", name === "mixes");
    by("mixes").hidden = name !== "mixes";
    by("page").scrollTo(0, 0);
  }
  for (const name of ["scans", "mixes"]) by(`to-${name}`).addEventListener("click", () => part(name));

  Look.begin(ask, (id) => {
    by("day").classList.remove("looking");
    list();
    rows.get(id)?.querySelector("button").focus();
  });
  document.addEventListener("visibilitychange", () => { if (!document.hidden && token) news(); });

  // The token comes behind the # of the address that was told: no server and no other page sees it.
  // Behind that of a printed card comes the scan, and nothing that lets anybody in.
  function arrived() {
    const [, scan, key] = /^#(?:scan=(.*)|(.*))$/.exec(location.hash) ?? [];
    history.replaceState(null, "", "/");
    if (scan) wanted = scan;
    return key;
  }
  addEventListener("hashchange", () => { arrived(); if (day && token) openWanted(); });
  token = arrived() || localStorage.getItem(KEPT);
  if (token) {
    localStorage.setItem(KEPT, token);
    start();
  } else gate();
})();
