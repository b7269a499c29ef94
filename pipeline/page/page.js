// Table of frames, and charts that open. Text of others is only ever put into
// text nodes and attributes, never read as markup.
(() => {
  "use strict";
  const PAGE = 100;        // rows at a time
  const MOST_CHOICES = 40; // of a list to choose from
  const byId = (id) => document.getElementById(id);
  document.documentElement.classList.add("js");

  // el makes an element with properties, attributes (names with a dash) and children.
  function el(name, properties, ...children) {
    const e = document.createElement(name);
    for (const [k, v] of Object.entries(properties || {})) {
      if (k.includes("-") || k === "colspan" || k === "scope" || k === "for") e.setAttribute(k, v);
      else e[k] = v;
    }
    e.append(...children);
    return e;
  }

  // grouped writes a number of things, in groups of three from five digits on.
  function grouped(n) {
    const text = String(n);
    return text.length < 5 ? text : text.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  }

  charts();
  const source = byId("frame-lines");
  if (source) frames(JSON.parse(source.textContent));

  function charts() {
    for (const chart of document.querySelectorAll(".chart")) {
      const title = chart.querySelector("figcaption b").textContent;
      const button = el("button", { type: "button", className: "size", "aria-expanded": "false" });
      const show = (big) => {
        chart.classList.toggle("big", big);
        button.setAttribute("aria-expanded", String(big));
        button.replaceChildren(big ? "smaller" : "larger, with axes", el("span", { className: "unseen" }, ": " + title));
      };
      button.addEventListener("click", () => show(!chart.classList.contains("big")));
      chart.querySelector(".plot").addEventListener("click", () => button.click());
      chart.append(button);
      show(false);
      const named = () => {
        if (location.hash !== "#" + chart.id) return;
        const group = chart.closest("details");
        if (group) group.open = true;
        show(true);
        chart.scrollIntoView();
      };
      addEventListener("hashchange", named);
      named();
    }
  }

  function frames(table) {
    const total = table.ids.length;
    const number = new Map(table.ids.map((id, i) => [id, i]));
    const columns = table.columns;
    const state = { sort: -1, down: false, from: 0, words: [], choices: new Map(), open: new Set() };
    const thumbs = document.querySelector('#frame-store img[data-kind="value"]') !== null;
    let shown = [...table.ids.keys()]; // numbers of the frames that pass the filter, in order
    let haystack = null;               // by frame, what the filter looks through

    const body = el("tbody");
    const heads = columns.map((c, k) => head(c, k));
    const result = el("p", { id: "frame-result", role: "status" });
    const text = el("input", { type: "search", id: "frame-filter", autocomplete: "off", spellcheck: false });
    const before = el("button", { type: "button" }, "← rows before");
    const after = el("button", { type: "button" }, "next rows →");
    build();
    draw();
    named();
    addEventListener("hashchange", named);

    function head(c, k) {
      const arrow = el("span", { className: "arrow", "aria-hidden": "true" });
      const button = el("button", { type: "button" }, c.title, arrow);
      if (c.unit) button.append(el("small", {}, c.unit));
      button.addEventListener("click", () => { sortBy(k); button.focus(); });
      const th = el("th", { scope: "col", "aria-sort": "none", className: numeric(c) ? "n" : "" }, button);
      th.dataset.printed = c.unit ? c.title + ", " + c.unit : c.title; // chromium draws a button in the first of repeated heads only
      return { th, arrow };
    }

    function numeric(c) { return c.kind === "number" || c.kind === "plain"; }

    function build() {
      const lists = columns.filter((c) => c.choice && c.words.length > 1 && c.words.length <= MOST_CHOICES).map(choice);
      const keys = el("p", { className: "keys" });
      for (const [key, what] of [["/", "filter"], ["↑ ↓", "move"], ["Enter", "details"], ["Esc", "close"]]) {
        keys.append(el("kbd", {}, key), " " + what + "\u2003");
      }
      byId("frame-tools").append(field("Filter: words in any column", text), ...lists, keys);
      const row = el("tr");
      if (thumbs) row.append(el("th", { scope: "col", className: "thumb" }, el("span", { className: "unseen" }, "picture")));
      row.append(...heads.map((h) => h.th));
      byId("frame-scroll").append(el("table", { className: "lines" }, el("caption", { className: "unseen" }, "Calibrated frames"), el("thead", {}, row), body));
      byId("frame-pager").append(before, after, result);
      before.addEventListener("click", () => turn(-1));
      after.addEventListener("click", () => turn(1));
      text.addEventListener("input", () => { state.words = text.value.toLowerCase().split(/\s+/).filter(Boolean); refilter(); });
      addEventListener("keydown", key);
      body.addEventListener("click", click);
    }

    function choice(c) {
      const id = "frame-choice-" + columns.indexOf(c);
      const list = el("select", { id }, el("option", { value: "" }, "all"));
      const order = c.words.map((w, i) => [w, i]).sort((a, b) => compareTexts(a[0], b[0]));
      for (const [word, i] of order) list.append(el("option", { value: String(i) }, word || "–"));
      list.addEventListener("change", () => {
        if (list.value === "") state.choices.delete(c); else state.choices.set(c, Number(list.value));
        refilter();
      });
      return field(c.title, list);
    }

    function field(title, control) { return el("div", { className: "field" }, el("label", { htmlFor: control.id }, title), control); }

    function compareTexts(a, b) { return a < b ? -1 : a > b ? 1 : 0; }

    function refilter() {
      state.from = 0;
      refresh();
      draw();
    }

    // refresh finds the frames to show and their order.
    function refresh() {
      shown = [];
      if (state.words.length && !haystack) {
        const texts = [...columns.filter((c) => c.words), table.warnings];
        haystack = table.ids.map((id, i) => texts.map((c) => c.words[c.texts[i]]).join("\n").toLowerCase());
      }
      for (let i = 0; i < total; i++) {
        if (passes(i)) shown.push(i);
      }
      if (state.sort >= 0) sort();
    }

    function passes(i) {
      for (const [c, word] of state.choices) {
        if (c.texts[i] !== word) return false;
      }
      return state.words.every((w) => haystack[i].includes(w));
    }

    // sort orders by a column; frames without a value come last either way, and
    // equal ones stay in the order of the page.
    function sort() {
      const c = columns[state.sort];
      const sign = state.down ? -1 : 1;
      let value;
      if (c.words) {
        const place = new Array(c.words.length);
        c.words.map((w, i) => i).sort((a, b) => compareTexts(c.words[a], c.words[b])).forEach((i, rank) => { place[i] = c.words[i] === "" ? null : rank; });
        value = (i) => place[c.texts[i]];
      } else {
        value = (i) => c.numbers[i];
      }
      shown.sort((a, b) => {
        const x = value(a), y = value(b);
        if (x === null || y === null) return (x === null) - (y === null) || a - b;
        return sign * (x - y) || a - b;
      });
    }

    // sortBy sorts upwards, then downwards, then not.
    function sortBy(k) {
      if (state.sort !== k) { state.sort = k; state.down = false; }
      else if (!state.down) state.down = true;
      else state.sort = -1;
      heads.forEach((h, i) => {
        const sorted = i === state.sort;
        h.th.setAttribute("aria-sort", !sorted ? "none" : state.down ? "descending" : "ascending");
        h.arrow.textContent = !sorted ? "" : state.down ? "\u00a0▼" : "\u00a0▲";
      });
      refilter();
    }

    function turn(pages) {
      const to = state.from + pages * PAGE;
      if (to < 0 || to >= shown.length) return;
      state.from = to;
      draw();
      const first = body.querySelector(".line [data-frame]");
      if (first) first.focus();
    }

    function draw() {
      for (const article of body.querySelectorAll("article")) byId("frame-store").append(article);
      const rows = [];
      const end = Math.min(shown.length, state.from + PAGE);
      for (let k = state.from; k < end; k++) {
        const i = shown[k];
        rows.push(line(i, k === state.from));
        if (state.open.has(i)) rows.push(detail(i));
      }
      body.replaceChildren(...rows);
      before.disabled = state.from === 0;
      after.disabled = end >= shown.length;
      before.hidden = after.hidden = shown.length <= PAGE;
      const some = shown.length === total ? "" : ", of " + grouped(total) + " in all";
      result.textContent = shown.length === 0 ? "No frame passes the filter; " + grouped(total) + " in all."
        : "Frames " + grouped(state.from + 1) + " to " + grouped(end) + " of " + grouped(shown.length) + some + ".";
    }

    function line(i, first) {
      const row = el("tr", { className: state.open.has(i) ? "line open" : "line" });
      row.dataset.line = i;
      if (thumbs) row.append(thumb(i));
      for (const c of columns) row.append(cell(c, i, first));
      return row;
    }

    function thumb(i) {
      const td = el("td", { className: "thumb" });
      const article = byId(table.ids[i]);
      const image = article && article.querySelector('img[data-kind="value"]');
      if (image) {
        const small = image.cloneNode();
        small.alt = "";
        small.removeAttribute("data-kind");
        td.append(small);
      }
      return td;
    }

    function cell(c, i, first) {
      if (c.kind === "number" || c.kind === "plain") {
        const v = c.numbers[i];
        const digits = v === null ? "–" : c.kind === "number" ? v.toFixed(c.digits) : String(Number(v.toPrecision(c.digits)));
        return el("td", { className: "n" }, digits.replace("-", "−"));
      }
      const word = c.words[c.texts[i]];
      switch (c.kind) {
        case "name": return el("th", { scope: "row" }, opener(i, word, first), ...warnings(i));
        case "state": return el("td", { className: word.split(" ")[1] }, word);
        case "time": return el("td", { className: "time" }, word || "–");
      }
      return el("td", { className: "text" }, clamped(word || "–"));
    }

    function warnings(i) {
      const text = table.warnings.words[table.warnings.texts[i]];
      return text ? [clamped(text)] : [];
    }

    // clamped is text of two lines at most; all of it is in its title.
    function clamped(text) { return el("span", { className: "clamped", title: text }, text); }

    // opener is the name of a frame: a button where its details are in this file,
    // else a link to the file that has them. One of a page is reached by Tab, the
    // others from there by the arrows.
    function opener(i, name, first) {
      const id = table.ids[i];
      const e = table.part[i] < 0
        ? el("button", { type: "button", "aria-expanded": String(state.open.has(i)) }, name)
        : el("a", { href: table.files[table.part[i]] + "#" + id }, name);
      e.tabIndex = first ? 0 : -1;
      e.dataset.frame = id;
      return e;
    }

    function detail(i) {
      const td = el("td", { colspan: columns.length + (thumbs ? 1 : 0) });
      const article = byId(table.ids[i]);
      if (article) td.append(article);
      return el("tr", { className: "detail" }, td);
    }

    function openerOf(i) { return body.querySelector('[data-frame="' + table.ids[i] + '"]'); }

    function toggle(i, open) {
      if (table.part[i] >= 0 || state.open.has(i) === open) return;
      const row = openerOf(i).closest("tr");
      if (open) {
        state.open.add(i);
        row.after(detail(i));
      } else {
        state.open.delete(i);
        byId("frame-store").append(byId(table.ids[i]));
        row.nextElementSibling.remove();
      }
      row.classList.toggle("open", open);
      openerOf(i).setAttribute("aria-expanded", String(open));
    }

    function click(event) {
      const row = event.target.closest("tr.line");
      if (!row || event.target.closest("a") || String(getSelection())) return;
      const i = Number(row.dataset.line);
      if (table.part[i] >= 0) openerOf(i).click();
      else { focus(openerOf(i)); toggle(i, !state.open.has(i)); }
    }

    function focus(e) {
      for (const other of body.querySelectorAll('[data-frame][tabindex="0"]')) other.tabIndex = -1;
      e.tabIndex = 0;
      e.focus();
    }

    function key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const on = document.activeElement;
      const typing = on && /^(INPUT|SELECT|TEXTAREA)$/.test(on.tagName);
      if (event.key === "/" && !typing) { event.preventDefault(); text.focus(); text.select(); return; }
      if (on === text) { keyOfFilter(event); return; }
      const row = on && on.closest("#frames tr");
      if (!row || !body.contains(row)) return;
      if (event.key === "Escape") { event.preventDefault(); close(row); return; }
      if (!on.dataset.frame) return;
      const all = [...body.querySelectorAll("[data-frame]")];
      const to = { ArrowDown: all.indexOf(on) + 1, ArrowUp: all.indexOf(on) - 1, Home: 0, End: all.length - 1 }[event.key];
      if (to !== undefined) { event.preventDefault(); if (all[to]) focus(all[to]); return; }
      if (event.key === "PageDown") { event.preventDefault(); turn(1); }
      if (event.key === "PageUp") { event.preventDefault(); turn(-1); }
    }

    // keyOfFilter: Escape empties the filter, Enter and the arrow go to the rows.
    function keyOfFilter(event) {
      const first = body.querySelector("[data-frame]");
      if (event.key === "Escape" && text.value) {
        event.preventDefault();
        text.value = "";
        text.dispatchEvent(new Event("input"));
      } else if (first && (event.key === "ArrowDown" || event.key === "Enter" || event.key === "Escape")) {
        event.preventDefault();
        focus(first);
      }
    }

    // close closes the details that are under a row, or that the row is.
    function close(row) {
      const of = row.classList.contains("detail") ? row.previousElementSibling : row;
      const i = Number(of.dataset.line);
      toggle(i, false);
      focus(openerOf(i));
    }

    // named shows the frame that the page's address names.
    function named() {
      const i = number.get(location.hash.slice(1));
      if (i === undefined) return;
      if (!shown.includes(i)) {
        text.value = "";
        state.words = [];
        state.choices.clear();
        for (const list of byId("frame-tools").querySelectorAll("select")) list.value = "";
        refresh();
      }
      state.from = Math.floor(shown.indexOf(i) / PAGE) * PAGE;
      draw();
      toggle(i, true);
      focus(openerOf(i));
      openerOf(i).closest("tr").scrollIntoView();
    }
  }
})();
