"use strict";
// One scan in somebody's hands: turned, cut open, its base line moved, saved, put back, removed.
// While the line moves its volume is reckoned here; as soon as it rests it is measured.
const Look = (() => {
  const by = (id) => document.getElementById(id);
  const FIRST = { yaw: 0.35, pitch: 0.75, zoom: 1.15 }, REST = { height: 0, right: 0, front: 0, patches: [] };
  const MOVES = ["height", "right", "front"], MARK_MM = 4, MOST_TILT = 15, LEAST_MM2 = 40, CLICK_PX = [6, 14], /* of a mouse, of a finger */ HOLD_MS = 300, MARKS_MS = 900, MM = 0.1, DEG = 0.2, RESTS_MS = 200;
  const canvas = by("view"), section = by("look"), stage = by("stage");
  const look = { ...FIRST, ...REST, cut: null, through: true, prepared: [] };
  let ask, row = null, card = null, loaded = null, reckon = null, steps = [], line = null;
  let tool = null, picked = []; // what a touch of the model does; places of the rim, while three are clicked
  let telling = 0; // marks wait for the next one
  let painting = false, resting = 0, saving = null, opened = 0, newer = null, seen = null;

  const show = (name) => section.querySelector(`[data-show=${name}]`);
  const moved = () => MOVES.some((move) => look[move] !== 0) || look.patches.length > 0;
  const held = () => Object.fromEntries(Object.keys(REST).map((part) => [part, look[part]]));
  const say = (words) => { by("state").textContent = words; };

  function figures({ water, powder, scoops, volume }, about) {
    Object.entries({ water, powder, scoops, volume }).forEach(([name, words]) => { show(name).textContent = words ?? "-"; });
    by("figures").classList.toggle("about", about);
  }

  const own = () => figures(row, false);

  // ---- drawing

  function paint() {
    if (painting || !card) return;
    painting = true;
    requestAnimationFrame(() => {
      painting = false;
      if (!card || !canvas.clientWidth) return;
      const dense = Math.min(devicePixelRatio, 2);
      const wide = Math.round(canvas.clientWidth * dense), tall = Math.round(canvas.clientHeight * dense);
      if (canvas.width !== wide || canvas.height !== tall) Object.assign(canvas, { width: wide, height: tall });
      loaded ??= Solid.load(card.solid);
      if (!loaded) return say("This browser cannot draw solids (WebGL 2). Figures and notes hold all the same.");
      Solid.draw(loaded, look, canvas);
      for (const move of MOVES) put(by(`grip-${move}`), gripAt(move));
      put(by("grip-cut"), cutGripAt());
      by("picked").replaceChildren(...[...picked, ...look.prepared].map((point, k) => {
        const made = document.createElement("span");
        made.className = k < picked.length ? "" : "tooth";
        put(made, point);
        return made;
      }));
      hours();
    });
  }

  // The hours that notes speak of: seen into the opening, 12 is the front. And how long 10 mm are.
  function hours() {
    const { size } = card.solid, dial = by("hours"), flat = Math.max(Math.sin(Math.abs(look.pitch)), 0);
    while (dial.children.length < 12) dial.append(document.createElement("span"));
    [...dial.children].forEach((hour, k) => {
      const turn = ((k + 1) * Math.PI) / 6, reach = 0.62;
      const [x, y] = put(hour, [Math.sin(turn) * size[0] * reach, Math.cos(turn) * size[1] * reach, 0]);
      hour.textContent = `${k + 1} ${row.sides[k + 1] ?? ""}`.trim();
      hour.hidden = flat < 0.3 || Math.abs(x - 0.5) > 0.48 || Math.abs(y - 0.5) > 0.48; // from the side they lie in one heap
    });
    by("scale").style.width = `${10 * Solid.perMm(card.solid, look) * canvas.clientHeight}px`;
  }

  function gripAt(move) {
    const { low, size } = card.solid, [height, across, ahead] = Solid.level(look);
    const x = move === "right" ? low[0] + size[0] : 0, y = move === "front" ? low[1] + size[1] : 0;
    return [x, y, height + across * x + ahead * y];
  }

  function cutGripAt() {
    const { low, size } = card.solid;
    return [low[0], look.cut ?? low[1], low[2] + size[2]];
  }

  function cutAt(mm) {
    const { low, size } = card.solid, most = low[1] + size[1];
    look.cut = mm <= low[1] ? null : Math.min(mm, most);
    const from = (look.cut ?? low[1]) - low[1], words = look.cut === null ? "" : `${from.toFixed(0)} mm from the back`;
    show("cut").textContent = words;
    by("cut").value = low[1] + from;
    aria("cut", from, 0, size[1], words || "not cut");
    paint();
  }

  function aria(grip, now, min, max, text) {
    for (const [name, value] of Object.entries({ now, min, max, text })) by(`grip-${grip}`).setAttribute(`aria-value${name}`, value);
  }

  function put(grip, point) {
    const [x, y] = Solid.place(card.solid, look, canvas, point);
    grip.style.left = `${Math.min(Math.max(x, 0.03), 0.97) * canvas.clientWidth}px`;
    grip.style.top = `${Math.min(Math.max(y, 0.03), 0.97) * canvas.clientHeight}px`;
    return [x, y];
  }

  // ---- the base line

  function limits(move) { return move === "height" ? card.range_mm : [-MOST_TILT, MOST_TILT]; }

  const WAYS = { height: ["raised", "lowered"], right: ["right side up", "right side down"], front: ["front up", "front down"] };

  function inWords(move, by) {
    const size = Math.abs(by).toFixed(1);
    return Number(size) === 0 ? (row.saved ? "as saved" : "not moved") : `${WAYS[move][by > 0 ? 0 : 1]} ${size} ${move === "height" ? "mm" : "°"}`;
  }

  function tell() {
    for (const move of MOVES) {
      const words = inWords(move, look[move]);
      show(move).textContent = words;
      by(move).value = look[move];
      by(move).setAttribute("aria-valuetext", words);
      aria(move, look[move], ...limits(move), words);
    }
    section.querySelector("[data-tool=prepared]").textContent = `Mark prepared teeth${look.prepared.length ? ` (${look.prepared.length})` : ""}`;
    by("save").disabled = !moved() || saving !== null;
    by("undo").disabled = saving !== null || !(steps.length || row.can_undo || telling);
    by("remove").disabled = saving !== null || !row.saved;
    paint();
  }

  function hold(next, { keep = true } = {}) {
    if (!card || saving !== null || telling) return;
    if (keep) steps.push(held());
    for (const move of MOVES) {
      const [low, high] = limits(move);
      look[move] = Math.round(Math.min(Math.max(next[move] ?? look[move], low), high) * 10) / 10;
    }
    look.patches = next.patches ?? look.patches;
    line = null;
    clearTimeout(resting);
    if (look.patches.length) {
      figures({}, false);
      say("Tried, not saved. It is being measured …");
      resting = setTimeout(() => measure().catch(refused), RESTS_MS);
    } else if (moved()) {
      const volume = reckon(look);
      const near = card.moves.reduce((best, one) => (Math.abs(one[1] - volume) < Math.abs(best[1] - volume) ? one : best), card.moves[0]);
      figures({ volume: volume.toFixed(1), powder: near?.[2], water: near?.[3], scoops: near?.[4] }, true);
      say("Tried, not saved. Figures are near; it is measured as soon as the line rests.");
      resting = setTimeout(() => measure().catch(refused), RESTS_MS);
    } else {
      own();
      say("");
    }
    tell();
  }

  // What a touch of the model does, until the same button is pressed again.
  const TOOLS = {
    three: "Click three places of the rim, far from each other.",
    "leave-out": "Touch the model where no stone is to go.",
    "take-in": "Touch the model where stone is to go too.",
    prepared: "Touch each prepared tooth; once more takes its mark away.",
  };

  function take(next) {
    [tool, picked] = [next, []];
    for (const button of section.querySelectorAll("[data-tool]")) button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
    if (tool) say(`${TOOLS[tool]} Drag turns as ever.`);
    paint();
  }

  function touch({ clientX, clientY }) {
    const { left, top, width, height } = canvas.getBoundingClientRect();
    const point = Solid.hit(card.solid, look, canvas, [(clientX - left) / width, (clientY - top) / height]);
    if (tool !== "prepared" && (saving || telling)) return say("One moment: what was done last is still being saved. Then touch again.");
    if (!point) return say(`There is no impression. ${TOOLS[tool]}`);
    if (tool === "prepared") return mark(point);
    if (tool === "three") {
      picked.push(point);
      if (picked.length < 3) say(`${picked.length} of 3.`);
      else through3(picked);
      return paint();
    }
    if (look.patches.length >= Solid.MOST_ROUND) return say("So many patches at a time: save these first.");
    hold({ patches: [...look.patches, { what: tool, centre: point, radius_mm: Number(by("wide").value) / 2 }] });
  }

  // Marks are saved as soon as the hand rests; what is shown by then is what is meant.
  function mark(point) {
    if (moved()) return say("Save the line that you hold first, or undo it.");
    const near = (one) => Math.hypot(one[0] - point[0], one[1] - point[1]) < MARK_MM;
    const rest = look.prepared.filter((one) => !near(one));
    look.prepared = rest.length < look.prepared.length ? rest : [...rest, point];
    say(`${look.prepared.length} marked, being saved …`);
    clearTimeout(telling);
    telling = setTimeout(tellMarks, MARKS_MS);
    tell();
  }

  function tellMarks() {
    clearTimeout(telling);
    telling = saving && card ? setTimeout(tellMarks, MARKS_MS) : 0;
    if (saving || !card) return null;
    return decide("prepare", { version: card.version, places_mm: look.prepared.map(inScan) }, "Prepared teeth saved");
  }

  const inScan = ([x, y, z]) => {
    const [origin, right, front, up] = card.solid.to_scan;
    return origin.map((part, k) => part + x * right[k] + y * front[k] + z * up[k]);
  };

  function through3([a, b, c]) {
    const [u, v] = [b, c].map((to) => to.map((part, k) => part - a[k])), area = u[0] * v[1] - u[1] * v[0];
    const across = (u[2] * v[1] - v[2] * u[1]) / area, ahead = (u[0] * v[2] - v[0] * u[2]) / area;
    const degrees = (slope) => (Math.atan(slope) * 180) / Math.PI;
    const next = { height: a[2] - across * a[0] - ahead * a[1], right: degrees(across), front: degrees(ahead) };
    const out = MOVES.find((move) => { const [low, high] = limits(move); return !(next[move] >= low && next[move] <= high); });
    take(Math.abs(area) < LEAST_MM2 || out !== undefined ? "three" : null); // what is no base line: three others, at once
    if (Math.abs(area) < LEAST_MM2) return say("These three lie nearly in one row. Click three others, farther apart.");
    if (out) return say(`A line through these three: ${inWords(out, next[out])}, more than it can be moved. Click three others.`);
    hold(next);
  }

  async function measure() {
    clearTimeout(resting);
    const mine = held(), of = opened;
    const found = await ask("POST", `/api/scans/${row.id}/try`, {
      version: card.version, height_mm: mine.height, right_deg: mine.right, front_deg: mine.front,
      patches: mine.patches.map(({ what, centre, radius_mm }) => ({ what, centre_mm: inScan(centre), radius_mm })),
    });
    if (of !== opened || Object.keys(mine).some((part) => look[part] !== mine[part])) return null;
    line = found.line;
    const range = `${found.volume_ml.toFixed(1)} (${found.low_ml.toFixed(1)}-${found.high_ml.toFixed(1)})`;
    figures({ volume: range, water: found.water, powder: found.powder, scoops: found.scoops }, false);
    by("figures").classList.add("tried");
    say(found.why || "Tried and measured, not saved.");
    return line;
  }

  function refused(fault) {
    if (fault.status === 409) return outdated(fault.newer);
    say(fault.message);
  }

  // Somebody else was quicker: nothing of this hand is lost, and nothing of theirs.
  function outdated(theirs) {
    newer = theirs ?? row;
    seen = newer.version;
    by("theirs").hidden = false;
    by("theirs").querySelector("p").textContent = "Somebody else saved or removed a line of this scan meanwhile. Yours is not saved, and still held here.";
    by("keep-mine").hidden = line === null;
    say("Not saved.");
  }

  async function decide(what, body, done) {
    const scan = row;
    saving = { words: done, version: null };
    say("One moment …");
    tellIfOpen();
    try {
      const { version } = await ask("POST", `/api/scans/${scan.id}/${what}`, body);
      by("theirs").hidden = true;
      newer = null;
      if (row?.id !== scan.id) return;
      if (version === seen) seen = null; // as it was before: it is told all the same
      const now = new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
      saving = { words: `${done} at ${now}`, version };
      say(`${saving.words}. It is being sized with it …`);
      renew(row);
    } catch (fault) {
      saving = null;
      refused(fault);
      tellIfOpen();
    }
  }

  async function save(version = card.version) {
    try {
      if (line === null && (await measure()) === null) return;
    } catch (fault) { return refused(fault); }
    return decide("save", { version, ...line }, "Saved");
  }

  function undo() {
    if (telling) {
      clearTimeout(telling);
      [telling, look.prepared] = [0, card.prepared];
      say("Put back: these marks are not saved.");
      tell();
    } else if (steps.length) {
      hold(steps.pop(), { keep: false });
      if (!moved()) say("Put back: nothing is moved.");
    } else decide("undo", { version: card.version }, "Put back as it was before the last change");
  }

  // ---- opening

  async function load(one) {
    const mine = ++opened;
    const got = await ask("GET", `/api/scans/${one.id}`);
    got.solid = await Solid.unpack(got.solid);
    if (mine !== opened) return false;
    if (loaded) Solid.free(loaded);
    const same = card?.id === got.id;
    [card, loaded, steps, line, newer, seen] = [got, null, [], null, null, got.version];
    Object.assign(look, REST, { prepared: telling ? look.prepared : got.prepared });
    if (tool && (tool === "three" || !same)) take(null);
    reckon = Solid.reckoner(card.solid, [[0, one.volume_ml], ...card.moves]);
    const { low, size } = card.solid;
    Object.assign(by("cut"), { min: low[1], max: low[1] + size[1] });
    cutAt(look.cut ?? low[1]);
    const [least, most] = card.range_mm;
    Object.assign(by("height"), { min: Math.ceil(least * 10) / 10, max: Math.floor(most * 10) / 10 });
    by("theirs").hidden = true;
    legend();
    by("live").hidden = false;
    tell();
    return true;
  }

  function legend() {
    const known = [["impression", card.solid.colour, "impression", "plain"], ["stone", card.solid.stone, "stone", "plain"]];
    by("legend").replaceChildren(...[...known, ...card.solid.marks].map(([, colour, says, shape]) => {
      const item = document.createElement("li"), sign = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      sign.setAttribute("viewBox", "0 0 20 14");
      sign.setAttribute("aria-hidden", "true");
      const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
      path.setAttribute("d", DRAWN[shape]);
      path.setAttribute("fill", colour);
      sign.append(path);
      item.append(sign, says);
      return item;
    }));
  }

  // What a mark looks like, without its colour.
  const DRAWN = {
    plain: "M0 0h20v14H0z",
    pegs: "M0 0h9l-4.5 14zM11 0h9l-4.5 14z",
    fence: "M0 0h4v14H0zM6 4h3v10H6zM11 0h4v14h-4zM17 4h3v10h-3z",
    dots: "M1 7a3 3 0 1 0 6 0a3 3 0 1 0-6 0zM12 7a3 3 0 1 0 6 0a3 3 0 1 0-6 0z",
    ball: "M3 7a7 7 0 1 0 14 0a7 7 0 1 0-14 0z",
  };

  function words(one) {
    by("look-name").textContent = one.name;
    show("stone").textContent = one.stone ? `, ${one.stone}` : "";
    const parts = [];
    const paragraph = (kind, ...texts) => {
      const made = document.createElement("p");
      made.className = kind;
      texts.forEach((text, k) => { const part = document.createElement(k % 2 ? "span" : "b"); part.textContent = text; made.append(part, " "); });
      parts.push(made);
    };
    if (one.late) paragraph("alarm", "!! Past its pour time.", "Ask first; its mix says why.");
    if (one.reason) paragraph("alarm", "Refused.", one.reason);
    for (const note of one.notes) paragraph("note", note.code, note.text, "Do:", note.do);
    if (one.dial) paragraph("advice", "", one.dial);
    for (const advice of one.advice) paragraph("advice", "", advice);
    by("notes").replaceChildren(...parts);
    by("figures").hidden = one.outcome === "refused";
    if (document.activeElement?.form !== by("tell")) [by("taken").value, by("material").value] = [one.taken, one.material];
    by("unsave").hidden = one.outcome !== "refused" || !one.saved;
  }

  function open(one) {
    if (telling) tellMarks();
    [row, saving, card, seen] = [one, null, null, one.version];
    section.hidden = false;
    by("theirs").hidden = true;
    by("figures").classList.remove("about", "tried");
    say("");
    words(one);
    own();
    by("live").hidden = true;
    by("look-name").focus();
    if (one.volume_ml !== null) load(one).catch(refused);
  }

  // The day has changed; is that news of the scan that is open?
  function renew(one) {
    if (!row) return;
    if (!one) return say("This scan is not in the folder any more.");
    row = one;
    if (one.again || one.version === seen || (saving && !saving.version)) return tellIfOpen();
    words(one);
    const said = saving?.version === one.version ? saving.words : null;
    if (moved() && said === null) {
      saving = null;
      outdated(one);
      return tellIfOpen();
    }
    seen = one.version; // news that comes while it is drawn is of no other word
    if (one.volume_ml === null) {
      [card, opened, saving] = [null, opened + 1, null];
      by("live").hidden = true;
      return say(said ? `${said}. The scan is refused with it.` : "This scan is refused now.");
    }
    load(one).then((drawn) => {
      if (!drawn) return;
      saving = null;
      tell();
      by("figures").classList.remove("tried");
      own();
      say(said ? `${said}; sized with it: ${one.volume} mL.` : "Somebody else moved this line; shown is what holds now.");
    }).catch((fault) => { saving = null; refused(fault); tellIfOpen(); });
  }

  function tellIfOpen() { if (card) tell(); }

  function close() {
    if (telling) tellMarks();
    [row, card, opened] = [null, null, opened + 1];
    clearTimeout(resting);
    if (loaded) Solid.free(loaded);
    loaded = null;
    section.hidden = true;
  }

  // ---- hands

  // The wheel belongs to the page until somebody works on the view.
  const { nearer } = Solid.hands(canvas, look, paint, (event) => document.activeElement === canvas || event.ctrlKey);
  let pressed = null; // where; a click stays there
  canvas.addEventListener("click", (event) => {
    if (tool && card && Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) < CLICK_PX[event.pointerType === "mouse" ? 0 : 1]) touch(event);
  });
  canvas.addEventListener("pointerdown", (event) => { pressed = [event.clientX, event.clientY]; });
  canvas.addEventListener("keydown", (event) => {
    const up = { PageUp: MM, PageDown: -MM }[event.key];
    if (!up || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    hold({ height: look.height + up });
  });

  // A grip is dragged, or goes by keys. A finger rests on it first: one that swipes by scrolls the page.
  const JUMPS = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 };
  function gripped(name, step, { value, towards, set, first = () => {} }) {
    const grip = by(`grip-${name}`);
    let from = null, rests = 0;
    const free = () => { clearTimeout(rests); [from, rests] = [null, 0]; grip.classList.remove("held"); };
    grip.addEventListener("pointerdown", (event) => {
      if (!card || saving) return;
      const take = () => {
        [from, rests] = [{ x: event.clientX, y: event.clientY, value: value(), went: false }, 0];
        grip.classList.add("held");
        grip.focus({ preventScroll: true });
      };
      grip.setPointerCapture(event.pointerId);
      if (event.pointerType !== "mouse") rests = setTimeout(take, HOLD_MS);
      else take();
      event.preventDefault();
    });
    grip.addEventListener("pointermove", (event) => {
      if (!from || !card) return;
      if (!from.went) first();
      from.went = true;
      set(towards(from, event), false);
    });
    grip.addEventListener("pointerup", () => { if (rests) say("Hold the grip for a moment, then draw it."); });
    for (const end of ["pointerup", "pointercancel"]) grip.addEventListener(end, free);
    grip.addEventListener("touchmove", (event) => { if (from) event.preventDefault(); }, { passive: false });
    grip.addEventListener("contextmenu", (event) => event.preventDefault());
    grip.addEventListener("keydown", (event) => {
      if (!card || !JUMPS[event.key]) return;
      event.preventDefault();
      set(value() + step * JUMPS[event.key]);
    });
  }

  function movedBy(move) {
    const towards = (from, { clientY }) => {
      // So that the line follows the finger: how far a mm upwards is seen, a flat view apart.
      const [x, y, z] = gripAt(move), foot = Solid.place(card.solid, look, canvas, [x, y, z]);
      const head = Solid.place(card.solid, look, canvas, [x, y, z + 1]);
      const perMm = Math.max((foot[1] - head[1]) * canvas.clientHeight, 3), up = (from.y - clientY) / perMm;
      const arm = Math.max(Math.abs(move === "right" ? x : y), 5);
      return move === "height" ? from.value + up : (Math.atan(Math.tan((from.value * Math.PI) / 180) + up / arm) * 180) / Math.PI;
    };
    const set = (value, keep = true) => hold({ [move]: value }, { keep });
    gripped(move, move === "height" ? MM : DEG, { value: () => look[move], towards, set, first: () => steps.push(held()) });
    let before = null; // of a slider that is being dragged: one step back, not hundreds
    by(move).addEventListener("input", () => {
      before ??= held();
      set(Number(by(move).value), false);
    });
    by(move).addEventListener("pointercancel", () => { // the finger scrolls the page: it meant no slider
      if (before) hold(before, { keep: false });
      before = null;
    });
    by(move).addEventListener("change", () => { if (before) steps.push(before); before = null; tellIfOpen(); });
  }

  function cutTowards(from, { clientX, clientY }) {
    const [x, y, z] = cutGripAt(), [here, ahead] = [y, y + 1].map((at) => Solid.place(card.solid, look, canvas, [x, at, z]));
    const right = (ahead[0] - here[0]) * canvas.clientWidth, down = (ahead[1] - here[1]) * canvas.clientHeight;
    // Seen along the way it goes, a mm takes no room: then a hand must not make it leap.
    return from.value + ((clientX - from.x) * right + (clientY - from.y) * down) / Math.max(right * right + down * down, 4);
  }

  function begin(asking, whenClosed) {
    ask = asking;
    MOVES.forEach(movedBy);
    gripped("cut", 0.5, { value: () => look.cut ?? card.solid.low[1], towards: cutTowards, set: cutAt });
    for (const button of section.querySelectorAll("[data-tool]")) {
      button.addEventListener("click", () => take(button.dataset.tool === tool ? null : button.dataset.tool));
    }
    by("save").addEventListener("click", () => save());
    by("undo").addEventListener("click", undo);
    by("tell").addEventListener("submit", (event) => {
      event.preventDefault();
      if (moved()) return say("Save the line that you hold first, or undo it.");
      decide("tell", { version: row.version, taken: by("taken").value, material: by("material").value }, "Time and material saved");
      document.activeElement.blur();
    });
    for (const one of by("tell").querySelectorAll("[data-ago]")) one.addEventListener("click", () => {
      const then = Date.now() - one.dataset.ago * 60000;
      by("taken").value = new Date(then - new Date(then).getTimezoneOffset() * 60000).toISOString().slice(0, 16);
    });
    for (const id of ["remove", "unsave"]) by(id).addEventListener("click", () => decide("remove", { version: row.version }, "Removed"));
    by("take-theirs").addEventListener("click", () => {
      Object.assign(look, REST);
      load(row).then(() => { own(); say("Shown is what holds now."); by("view").focus(); }).catch(refused);
    });
    by("keep-mine").addEventListener("click", () => save(newer.version));
    by("cut").addEventListener("input", () => cutAt(Number(by("cut").value)));
    by("through").addEventListener("change", () => { look.through = by("through").checked; paint(); });
    section.querySelectorAll("[data-stand]").forEach((button) => button.addEventListener("click", () => {
      [look.yaw, look.pitch] = button.dataset.stand.split(",").map(Number);
      look.zoom = FIRST.zoom;
      paint();
    }));
    section.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => nearer(Number(button.dataset.zoom))));
    by("close").addEventListener("click", () => {
      if (moved() && !confirmed()) return;
      const { id } = row;
      close();
      whenClosed(id);
    });
    new ResizeObserver(paint).observe(stage);
    window.addEventListener("beforeunload", (event) => { if (row && (moved() || telling)) event.preventDefault(); });
  }

  // Asked once, in place: a line that is held must not go unseen.
  let warned = 0;
  function confirmed() {
    if (Date.now() - warned < 6000) return true;
    warned = Date.now();
    say("The line you hold is not saved. Save it, or do the same once more to let it go.");
    return false;
  }

  return { begin, open, renew, close, confirmed: () => !row || !card || !moved() || confirmed(), id: () => row?.id };
})();
