// The explorer's page. It sends what a user does, one action at a time and in order, and
// shows the view that the kernel answers with; it works out nothing itself.

const TABS = ["Numbers", "Trials", "Samples", "All curves", "Records"];
const DRAGGED = new Set(["offset_at", "tilt_at", "ping"]);
const NUMBER = /^(not known|check|[+−]?\d+(\.\d+)?( .*)?)$/;
const SLOW = 2000, LOST = 7000, REST = 5000; // ms
const BUSY = "Waiting for the kernel, which is busy.";
const DEAD = "No answer from the kernel: it has stopped, or is very busy. Choose Kernel, " +
  "Restart Kernel and Run All Cells; your choices are kept on disk.";

function make(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && typeof value !== "string") made[name] = value;
    else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}

// An interval is not parted at the end of a line.
const whole = (text) => text.replace(/\((\S+) to (\S+)\)/, "($1\u00a0to\u00a0$2)");

function tableOf(table, cellOf = whole) {
  // Columns of numbers are set to the right, the first one names the rows.
  const number = table.heads.map((_, k) => k > 0 &&
    table.rows.every((cells) => NUMBER.test(cells[k])));
  const row = (cells, tag, at) => make("tr", table.strong.includes(at) ?
    { class: "kit-strong" } : {}, ...cells.map((text, k) => make(tag, {
    class: number[k] ? "kit-number" : text.length > 30 ? "kit-long" : "",
    ...(tag === "th" ? { scope: "col" } : {}) }, cellOf(text, at, k))));
  return make("div", {}, make("table", {},
    make("caption", {}, table.caption),
    make("thead", {}, row(table.heads, "th", -1)),
    make("tbody", {}, ...table.rows.map((cells, at) => row(cells, "td", at)))),
  make("p", { class: "kit-note" }, table.note));
}

// Actions wait for the one before to be answered, so that none overtakes another and a
// dragged slider leaves out the steps that the kernel would come too late for.
class Line {
  constructor(model, changed, answered) {
    Object.assign(this, { model, changed, answered });
    Object.assign(this, { queue: [], waiting: null, number: 0, since: 0 });
    this.page = Math.random().toString(36).slice(2);
    this.heard = Date.now();
    this.listen = () => this.answer();
    model.on("change:answered", this.listen);
    this.clock = setInterval(() => this.tick(), 1000);
  }

  act(name, value = null) {
    const last = this.queue.at(-1);
    if (last?.do === name && DRAGGED.has(name)) last.value = value;
    else this.queue.push({ do: name, value });
    this.next();
  }

  next() {
    if (!this.waiting && this.queue.length) {
      this.waiting = { ...this.queue.shift(), page: this.page, number: ++this.number };
      this.since = Date.now();
      try { this.model.send(this.waiting); } catch { /* told by the clock */ }
    }
    this.changed();
  }

  answer() {
    const [page, number] = this.model.get("answered");
    if (page !== this.page || number !== this.waiting?.number) return;
    this.waiting = null;
    this.heard = Date.now();
    this.next();
    this.answered();
  }

  tick() {
    const idle = Date.now() - this.heard;
    if (!this.waiting && idle > REST && !document.hidden) this.act("ping");
    else this.changed();
  }

  get trouble() {
    const late = this.waiting ? Date.now() - this.since : 0;
    return late > LOST ? DEAD : late > SLOW ? BUSY : "";
  }

  holds(...names) {
    return [this.waiting, ...this.queue].some((each) => names.includes(each?.do));
  }

  end() {
    clearInterval(this.clock);
    this.model.off("change:answered", this.listen);
  }
}

function render({ model, el }) {
  const line = new Line(model, () => showLine(), () => showView());
  const act = (name, value) => line.act(name, value);
  const id = (name) => `kit-${line.page}-${name}`;
  const labelled = (name, label, input, ...more) => {
    input.id = id(name);
    return make("div", { class: "kit-control" },
      make("label", { for: input.id }, label), input, ...more);
  };
  const button = (text, name, value) => make("button", { type: "button",
    onclick: () => act(name, value) }, text);
  // What is typed and not yet sent is left alone by whatever is shown meanwhile.
  const typed = new WeakSet();
  const box = (name, valueOf = (text) => text) => make("input", { type: "text",
    inputmode: "decimal", autocomplete: "off", class: "kit-box",
    onkeydown: (event) => event.key === "Enter" && event.target.blur(),
    oninput: (event) => typed.add(event.target),
    onchange: (event) => {
      typed.delete(event.target);
      act(name, valueOf(event.target.value));
    } });
  const slider = (name) => make("input", { type: "range", min: "0", step: "1",
    oninput: (event) => act(name, Number(event.target.value)) });

  const curve = make("select", { onchange: () => act("curve", curve.value) });
  const offset = slider("offset_at"), offsetBox = box("offset");
  const tilt = slider("tilt_at"), tiltBox = box("tilt");
  const slope = make("input", { type: "checkbox",
    onchange: () => act("slope", slope.checked) });
  const low = box("band_low"), high = box("band_high");
  const standard = box("standard"), select = box("select");
  const reason = make("input", { type: "text", maxlength: "400",
    placeholder: "why this what-if is kept" });
  const write = make("button", { type: "button", class: "kit-write",
    onclick: () => act("record", reason.value) }, "Put on record");
  const undo = button("Undo", "step", -1), redo = button("Redo", "step", 1);
  const reset = button("Reset to the audit", "reset");
  const said = make("p", { class: "kit-said", "aria-live": "polite" });
  const status = make("p", { class: "kit-status", role: "status" });
  const progress = make("progress", { max: "1" });
  const share = (event) => {
    const place = event.target.getBoundingClientRect();
    return [(event.clientX - place.left) / place.width,
      (event.clientY - place.top) / place.height];
  };
  const picture = (name, tip) => make("img", { draggable: false, title: tip,
    onclick: (event) => tip && act(`click_${name}`, share(event)) });
  const images = {
    errors: picture("errors", "Click a sample to leave it out, again to count it"),
    offsets: picture("offsets", "Click to choose an offset"),
    ranks: picture("ranks", ""),
  };

  const figures = make("div"), advice = make("div");
  const trials = make("select", { size: 9, onchange: () => act("trial", trials.value) });
  const entries = make("div");
  const samples = make("select", { multiple: true, size: 9, onchange: () =>
    act("leave_out", [...samples.selectedOptions].map((each) => Number(each.value))) });
  const curves = make("div"), records = make("div"), compared = make("div");
  const picked = () => [...records.querySelectorAll("input:checked")]
    .map((each) => Number(each.value));
  const ask = (name) => () => act(name, picked());
  const open = make("button", { type: "button", onclick: ask("open") }, "Open");
  const compare = make("button", { type: "button", onclick: ask("compare") }, "Compare two");
  const remove = make("button", { type: "button", onclick: () => {
    const numbers = picked();
    if (numbers.length && confirm(`Delete record ${numbers.join(", ")} and its page?`)) {
      act("delete", numbers);
    }
  } }, "Delete");

  const panels = [
    [figures, advice],
    [make("div", { class: "kit-trials" },
      labelled("trials", "Trials, who moves in and who drops out", trials),
      images.ranks, entries)],
    [labelled("samples", "Samples to leave out, largest error first (Ctrl or Shift " +
      "picks several; a click on the picture does the same)", samples)],
    [curves],
    [make("div", { class: "kit-buttons" }, open, compare, remove), records, compared],
  ].map((content, k) => make("div", { role: "tabpanel", class: "kit-panel",
    tabindex: "0", id: id(`panel${k}`), "aria-labelledby": id(`tab${k}`),
    hidden: k > 0 }, ...content));
  const tabs = TABS.map((name, k) => make("button", { type: "button", role: "tab",
    id: id(`tab${k}`), "aria-controls": id(`panel${k}`),
    "aria-selected": String(k === 0), tabindex: k ? "-1" : "0",
    onclick: () => turnTo(k), onkeydown: (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (by) turnTo((k + by + TABS.length) % TABS.length);
    } }, name));
  const turnTo = (at) => {
    panels.forEach((each, k) => { each.hidden = k !== at; });
    tabs.forEach((each, k) => {
      each.setAttribute("aria-selected", String(k === at));
      each.tabIndex = k === at ? 0 : -1;
    });
    tabs[at].focus();
  };

  const controls = make("form", { class: "kit-controls",
    onsubmit: (event) => event.preventDefault() },
    labelled("curve", "Crop and curve", curve),
    labelled("offset", "Offset, points", offset, offsetBox),
    make("div", { class: "kit-control" }, make("label", {}, slope,
      " Correct the slope too")),
    labelled("tilt", "Tilt, points per point", tilt, tiltBox),
    make("div", { class: "kit-pair" }, labelled("low", "Band from, %", low),
      labelled("high", "to, %", high)),
    make("div", { class: "kit-pair" }, labelled("standard", "Standard moisture, %",
      standard), labelled("select", "Selected", select)),
    make("div", { class: "kit-buttons" }, undo, redo, reset),
    labelled("reason", "Reason", reason), write);
  offsetBox.setAttribute("aria-label", "Offset, points, as a number");
  tiltBox.setAttribute("aria-label", "Tilt, points per point, as a number");
  const body = make("div", { class: "kit-body" }, controls,
    make("div", { class: "kit-main" },
      make("div", { class: "kit-pictures" }, images.errors, images.offsets),
      make("div", { role: "tablist", class: "kit-tabs", "aria-label": "More" }, ...tabs),
      ...panels));
  const label = make("strong", { class: "kit-label" });
  const root = make("section", { class: "kit-explorer", "aria-label": "Offset explorer" },
    make("header", {}, label, said), progress, status, body);
  el.append(root);

  // In command mode a notebook takes letters and arrow keys for itself wherever the focus
  // is, unless the element in focus keeps them; keys with Ctrl stay the notebook's (save).
  const keys = (event) => {
    if (!root.contains(event.target)) return;
    const control = event.ctrlKey || event.metaKey, key = event.key.toLowerCase();
    if (control && "zy".includes(key) && event.target.type !== "text") {
      act("step", key === "y" || event.shiftKey ? 1 : -1);
      event.preventDefault();
      event.stopPropagation();
    } else if (control) event.target.removeAttribute("data-lm-suppress-shortcuts");
    else event.target.setAttribute("data-lm-suppress-shortcuts", "true");
  };
  window.addEventListener("keydown", keys, true);

  const last = {};
  const changed = (name, value) => {
    const text = JSON.stringify(value);
    const differs = last[name] !== text;
    last[name] = text;
    return differs;
  };
  const put = (place, ...content) => place.replaceChildren(...content);
  const options = (place, name, pairs) => changed(name, pairs) && put(place,
    ...pairs.map(([value, text]) => make("option", { value: String(value) }, text)));
  const set = (input, value, ...names) => {
    const own = typed.has(input) || line.holds(...names);
    if (!own && input.value !== String(value)) input.value = value;
  };

  function showLine() {
    const view = model.get("view"), trouble = line.trouble;
    const text = trouble || view.status || "";
    if (status.textContent !== text) status.textContent = text;
    status.classList.toggle("kit-alarm", Boolean(trouble));
    write.disabled = line.holds("record") || !view.ready;
    [open, compare, remove].forEach((each) => { each.disabled = line.holds("delete"); });
  }

  function showSlider(input, number, name, told, stops, off) {
    input.max = String(stops - 1);
    input.disabled = number.disabled = off;
    set(input, told.at, `${name}_at`, name, `click_${name}s`);
    input.setAttribute("aria-valuetext", told.said);
    input.title = told.said;
    set(number, told.text, name);
  }

  function showView() {
    const view = model.get("view"), reach = model.get("reach");
    label.textContent = view.label;
    said.textContent = view.said;
    progress.hidden = view.share === 1;
    if (view.share < 0) progress.removeAttribute("value");
    else progress.value = view.share;
    body.hidden = !view.curve;
    if (view.curve) showChoices(view, reach);
    showLine();
  }

  function showChoices(view, reach) {
    options(curve, "curves", reach.curves);
    set(curve, view.curve, "curve");
    panels.forEach((each) => each.classList.toggle("kit-off", !view.ready));
    Object.values(images).forEach((each) => { each.hidden = !view.ready; });
    if (!view.ready) return;
    showSlider(offset, offsetBox, "offset", view.offset, reach.stops, false);
    showSlider(tilt, tiltBox, "tilt", view.tilt, reach.tilts, !view.slope);
    if (!line.holds("slope")) slope.checked = view.slope;
    slope.disabled = view.slopeOff;
    set(low, view.band[0], "band_low");
    set(high, view.band[1], "band_high");
    set(standard, view.standard, "standard");
    set(select, view.select, "select");
    standard.disabled = view.standard === "";
    controls.querySelector(`label[for="${select.id}"]`).textContent = view.selectLabel;
    [undo.disabled, redo.disabled] = [!view.can[0], !view.can[1]];
    if (changed("reason", view.reasons)) reason.value = "";
    if (changed("figures", view.figures)) put(figures, tableOf(view.figures));
    if (changed("advice", view.advice)) {
      put(advice, ...view.advice.map((text) => make("p", {}, text)));
    }
    options(trials, "trials", view.trials);
    set(trials, view.trial, "trial");
    images.ranks.hidden = !view.trial;
    if (changed("entries", view.entries)) put(entries, tableOf(view.entries));
    options(samples, "samples", reach.samples);
    if (!line.holds("leave_out", "click_errors")) {
      const out = new Set(view.leftOut.map(String));
      [...samples.options].forEach((each) => { each.selected = out.has(each.value); });
    }
    showCurves(view.allCurves);
    if (changed("records", view.records)) showRecords(view.records);
    if (changed("compared", view.compared)) {
      put(compared, ...(view.compared ? [tableOf(view.compared)] : []));
    }
    Object.values(images).forEach((image, k) => { image.alt = view.alts[k]; });
  }

  function showCurves(table) {
    // Cells are filled anew where they stand, so that the focus stays in a box.
    const texts = table.rows.flat(), cells = curves.querySelectorAll("td");
    if (cells.length !== texts.length) put(curves, tableOf(table, curveCell(table.names)));
    cells.forEach((cell, at) => {
      if (!cell.children.length) cell.textContent = whole(texts[at]);
    });
    curves.querySelectorAll("input").forEach((each, k) =>
      set(each, table.rows[k][1], "offset_of"));
  }

  const curveCell = (names) => (text, at, k) => {
    if (at < 0 || k > 1) return whole(text);
    if (k === 0) return make("button", { type: "button", class: "kit-link",
      onclick: () => act("curve", names[at]) }, text);
    const offsetOf = box("offset_of", (asked) => [names[at], asked]);
    offsetOf.setAttribute("aria-label", `Offset of ${names[at]}, points`);
    return offsetOf;
  };

  function showRecords(table) {
    put(records, tableOf(table, (text, at, k) => at < 0 || k ? text :
      make("label", {}, make("input", { type: "checkbox", value: text }), ` ${text}`)));
  }

  const shown = {};
  const showPicture = (name) => {
    const bytes = model.get(name);
    if (!bytes?.byteLength) return;
    const old = shown[name];
    shown[name] = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    images[name].src = shown[name];
    if (old) URL.revokeObjectURL(old);
  };
  const pictures = Object.keys(images).map((name) => [`change:${name}`,
    () => showPicture(name)]);
  pictures.forEach(([event, listener]) => model.on(event, listener));
  model.on("change:view", showView);
  showView();
  Object.keys(images).forEach(showPicture);
  // The notebook is opened to show this panel, not the cells above it; a click makes its
  // cell the active one, which scrolls the page: what is cut off then is brought back.
  const bringBack = (block) => setTimeout(() => root.scrollIntoView({ block }), 300);
  bringBack("start");
  root.addEventListener("focusin", () => bringBack("nearest"));

  return () => {
    line.end();
    window.removeEventListener("keydown", keys, true);
    model.off("change:view", showView);
    pictures.forEach(([event, listener]) => model.off(event, listener));
  };
}

export default { render };
