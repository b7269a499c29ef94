// Checks pages in a browser, and their HTML with a validator. Argument: a file
// of JSON with the pages and with what is expected of them. Prints one line of
// JSON for each check: {name, error}, and {done} last.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { inflateSync } from "node:zlib";

const require = createRequire(process.env.EVENLIGHT_BROWSER_TOOLS + "/");
const { chromium } = require("playwright-core");
const { HtmlValidate, StaticConfigLoader } = require("html-validate");

const want = JSON.parse(readFileSync(process.argv[2], "utf8"));
const url = (file) => pathToFileURL(file).href;
const browser = await chromium.launch({
  executablePath: process.env.EVENLIGHT_BROWSER,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

let done = 0;
async function check(name, f) {
  let error = "";
  const start = performance.now();
  try {
    await f();
  } catch (e) {
    error = String(e.stack || e);
  }
  done++;
  console.log(JSON.stringify({ name, error, seconds: (performance.now() - start) / 1000 }));
}

// visit opens a page and notes all that it says, asks for, or fails in.
async function visit(address, options = {}) {
  const context = await browser.newContext({ viewport: { width: 1360, height: 900 }, ...options });
  const page = await context.newPage();
  page.said = [];
  page.asked = [];
  page.on("console", (m) => page.said.push(m.type() + ": " + m.text()));
  page.on("pageerror", (e) => page.said.push("error: " + e.message));
  page.on("dialog", (d) => { page.said.push("dialog: " + d.message()); d.dismiss(); });
  page.on("request", (r) => page.asked.push(r.url()));
  await page.goto(address);
  return page;
}

const rows = ".lines tr.line";
const names = (page) => page.locator(rows + " [data-frame]").allTextContents();
const ids = (page) => page.locator(rows + " [data-frame]").evaluateAll((all) => all.map((e) => e.dataset.frame));
const result = (page) => page.locator("#frame-result").textContent();
const focused = (page) => page.evaluate(() => document.activeElement.dataset.frame || document.activeElement.id);
const head = (page, title) => page.locator(".lines thead th", { hasText: title });
const plainNumber = (text) => text.replaceAll("\u202f", "");

await check("opens from disk, silent, asking for nothing", async () => {
  for (const file of Object.values(want.files)) {
    const page = await visit(url(file));
    assert.deepEqual(page.said, [], file);
    const outside = page.asked.filter((a) => a !== url(file) && !a.startsWith("data:"));
    assert.deepEqual(outside, [], file);
    assert.ok((await page.locator("h1").textContent()).length > 0);
    await page.context().close();
  }
});

await check("the policy keeps scripts and requests out", async () => {
  const page = await visit(url(want.files.small));
  const got = await page.evaluate(async () => {
    const refused = [];
    document.addEventListener("securitypolicyviolation", (e) => refused.push(e.effectiveDirective));
    const script = document.createElement("script");
    script.textContent = "window.intruder = 1";
    document.body.append(script);
    const button = document.createElement("button");
    button.setAttribute("onclick", "window.intruder = 2");
    document.body.append(button);
    button.click();
    const image = new Promise((resolve) => {
      const img = new Image();
      img.onload = () => resolve("loaded");
      img.onerror = () => resolve("refused");
      img.src = "http://127.0.0.1:9/picture.png";
    });
    const fetched = await fetch("http://127.0.0.1:9/data").then(() => "fetched", () => "refused");
    return { intruder: window.intruder, fetched, image: await image, refused: refused.sort() };
  });
  assert.deepEqual(got, { fetched: "refused", image: "refused", intruder: undefined, refused: ["connect-src", "img-src", "script-src-attr", "script-src-elem"] });
  await page.context().close();
});

await check("text of others is text", async () => {
  for (const file of [want.files.small, want.files.part]) {
    const page = await visit(url(file));
    if (file === want.files.small) await page.locator("[data-frame=f00003]").click();
    const text = await page.locator("body").innerText();
    assert.ok(text.includes(want.hostileShown), "not shown as text in " + file);
    assert.equal(await page.locator("img[src=x], img[onerror]").count(), 0);
    assert.deepEqual(page.said, []);
    await page.context().close();
  }
});

await check("sorts by mouse and by keyboard", async () => {
  const page = await visit(url(want.files.big));
  const median = head(page, "median");
  const order = async () => ids(page);
  const first = await order();
  assert.equal(first.length, 100);
  await median.locator("button").click();
  assert.equal(await median.getAttribute("aria-sort"), "ascending");
  assert.deepEqual(await order(), want.medianUp);
  await page.keyboard.press("Enter"); // the button has the focus still
  assert.equal(await median.getAttribute("aria-sort"), "descending");
  assert.deepEqual(await order(), want.medianDown);
  await page.keyboard.press("Enter");
  assert.equal(await median.getAttribute("aria-sort"), "none");
  assert.deepEqual(await order(), first);
  await head(page, "band").locator("button").click();
  assert.deepEqual(await order(), want.bandUp);
  await page.context().close();
});

await check("filters by words, band, detector and state", async () => {
  const page = await visit(url(want.files.big));
  const shows = async (n) => {
    const text = plainNumber(await result(page));
    assert.ok(text.includes(n === 0 ? "No frame passes" : ` of ${n}`), `${text} (want ${n})`);
    assert.equal(await page.locator(rows).count(), Math.min(n, 100));
  };
  await shows(want.total);
  const choose = (title, label) => page.getByLabel(title, { exact: true }).selectOption({ label });
  await choose("band", "green");
  await shows(want.green);
  await choose("detector", "ir");
  await shows(want.greenIR);
  await choose("state", "▲ look");
  await shows(want.greenIRLook);
  assert.deepEqual(await ids(page), want.greenIRLookIDs);
  for (const title of ["band", "detector", "state"]) await choose(title, "all");
  await page.locator("#frame-filter").fill("GREEN 0042");
  await shows(want.green0042);
  await page.locator("#frame-filter").fill("of the expected"); // only in warnings
  await shows(want.look);
  await page.locator("#frame-filter").fill("no such frame");
  await shows(0);
  await page.locator("#frame-filter").press("Escape");
  await shows(want.total);
  await page.context().close();
});

await check("works by keyboard alone", async () => {
  const page = await visit(url(want.files.small));
  await page.keyboard.press("/");
  assert.equal(await focused(page), "frame-filter");
  await page.keyboard.type("look");
  const found = await names(page);
  assert.ok(found.length > 1 && found.length < want.small, String(found));
  await page.keyboard.press("ArrowDown");
  assert.equal(await focused(page), "f00001");
  await page.keyboard.press("ArrowDown");
  assert.equal(await focused(page), "f00005");
  await page.keyboard.press("Enter");
  const details = page.locator(".lines tr.detail article");
  assert.equal(await details.getAttribute("id"), "f00005");
  assert.ok(await details.locator("img").first().isVisible());
  assert.equal(await page.locator("[data-frame=f00005]").getAttribute("aria-expanded"), "true");
  await page.keyboard.press("Tab"); // into the details
  assert.ok(await page.evaluate(() => document.activeElement.closest("article") !== null));
  await page.keyboard.press("Escape");
  assert.equal(await details.count(), 0);
  assert.equal(await focused(page), "f00005");
  await page.keyboard.press("End");
  const last = (await ids(page)).at(-1);
  assert.equal(await focused(page), last);
  await page.keyboard.press("ArrowDown"); // there is no row below
  assert.equal(await focused(page), last);
  await page.keyboard.press("Home");
  assert.equal(await focused(page), "f00001");
  await page.keyboard.press("/");
  await page.keyboard.press("Escape");
  assert.equal((await names(page)).length, want.small);
  const outline = await page.evaluate(() => {
    document.querySelector("[data-frame]").focus();
    return getComputedStyle(document.activeElement).outlineStyle;
  });
  assert.equal(outline, "solid");
  await page.context().close();
});

await check("ten thousand frames: a hundred rows at a time, the address finds each", async () => {
  const start = performance.now();
  const page = await visit(url(want.files.big) + "#f09876");
  const opened = performance.now() - start;
  assert.equal(await focused(page), "f09876");
  assert.equal(await page.locator("[data-frame=f09876]").getAttribute("href"), "frames-0099.html#f09876");
  assert.ok(plainNumber(await result(page)).startsWith("Frames 9801 to 9900 of 10000."), await result(page));
  await page.keyboard.press("PageDown");
  assert.equal(await focused(page), "f09901");
  await page.keyboard.press("PageDown"); // there is no page after the last
  assert.equal(await focused(page), "f09901");
  await page.keyboard.press("PageUp");
  assert.equal(await focused(page), "f09801");
  assert.equal(await page.locator(rows).count(), 100);
  const timed = await page.evaluate(() => {
    const t = performance.now();
    document.querySelectorAll(".lines thead button")[1].click();
    const sorted = performance.now() - t;
    const filter = document.querySelector("#frame-filter");
    filter.value = "scene 7";
    filter.dispatchEvent(new Event("input"));
    return [sorted, performance.now() - t - sorted];
  });
  console.log(JSON.stringify({ note: `10,000 frames: opened in ${opened.toFixed(0)} ms, sorted in ${timed[0].toFixed(0)} ms, filtered in ${timed[1].toFixed(0)} ms` }));
  await page.context().close();
});

await check("the address of a frame or chart opens it", async () => {
  const page = await visit(url(want.files.small) + "#f00004");
  assert.ok(await page.locator(".lines tr.detail #f00004").isVisible());
  await page.locator("#frame-filter").fill("f00001 nothing");
  await page.evaluate(() => { location.hash = "#f00002"; });
  await page.locator(".lines tr.detail #f00002").waitFor();
  assert.equal(await page.locator("#frame-filter").inputValue(), "");
  await page.evaluate(() => { location.hash = "#t1"; });
  await page.locator(".chart.big#t1").waitFor();
  await page.locator(".chart#t1 .size").click();
  assert.equal(await page.locator(".chart.big").count(), 0);
  await page.context().close();
});

await check("a part shows its details and leads back", async () => {
  const page = await visit(url(want.files.part));
  assert.equal(await page.locator("article.frame").count(), want.part);
  assert.ok(await page.locator("#f00005 img").first().isVisible());
  const back = await page.locator("#f00004 header a", { hasText: "in the table" }).getAttribute("href");
  assert.equal(back, "index.html#f00004");
  const addresses = await page.locator("nav a").evaluateAll((all) => all.map((a) => a.getAttribute("href")));
  assert.deepEqual(addresses, ["index.html", "frames-0002.html"]);
  await page.context().close();
});

await check("a run without frames, and one without a readable product, are told", async () => {
  const empty = await visit(url(want.files.empty));
  assert.ok((await empty.locator("#frames").innerText()).includes("No frame was calibrated."));
  assert.ok((await empty.locator(".verdict").textContent()).includes("Nothing calls for attention."));
  await empty.context().close();
  const broken = await visit(url(want.files.broken) + "#f00001");
  const text = await broken.locator(".lines tr.detail article").innerText();
  assert.ok(text.includes("✕ broken") && text.includes("unexpected end of file"), text);
  await broken.context().close();
});

await check("without scripts all is there to read", async () => {
  const page = await visit(url(want.files.small), { javaScriptEnabled: false });
  assert.equal(await page.locator("article.frame:visible").count(), want.small);
  assert.ok(await page.locator("noscript p").isVisible());
  await page.context().close();
});

// contrasts returns the texts whose contrast to what is behind them is below
// that of level AA: 4.5, or 3 for large text (W3C, WCAG 2.1, 1.4.3; relative
// luminance and ratio as defined there), with the number of texts looked at.
function contrasts() {
  const numbers = (colour) => colour.match(/[\d.]+/g).map(Number);
  const luminance = (c) => {
    const [r, g, b] = c.slice(0, 3).map((v) => v / 255).map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (e) => {
    for (; e; e = e.parentElement) {
      const c = numbers(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
      if (c[3] > 0) throw new Error("a colour is half transparent: " + e.className);
    }
    throw new Error("nothing is opaque");
  };
  const low = new Set();
  let looked = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent.trim();
    const e = walk.currentNode.parentElement;
    if (!text || !e.checkVisibility() || e.closest("script, option, .unseen")) continue;
    const style = getComputedStyle(e);
    const drawn = e.closest("svg") !== null;
    const px = parseFloat(style.fontSize);
    const large = px >= 24 || (px >= 18.66 && Number(style.fontWeight) >= 700);
    const a = luminance(numbers(drawn ? style.fill : style.color)), b = luminance(behind(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < (large ? 3 : 4.5) && !e.closest(":disabled")) low.add(`${ratio.toFixed(2)} ${e.tagName}.${e.className.baseVal ?? e.className}: ${text.slice(0, 30)}`);
    looked++;
  }
  return { looked, low: [...low], paper: luminance(behind(document.body)) };
}

await check("text has the contrast of level AA, light and dark", async () => {
  for (const [colorScheme, from, to] of [["light", 0.8, 1], ["dark", 0, 0.03]]) {
    for (const file of [want.files.small, want.files.part]) {
      const page = await visit(url(file), { colorScheme });
      if (file === want.files.small) {
        await page.locator("[data-frame=f00001]").click();
        for (const b of await page.locator(".chart .size").all()) await b.click();
        for (const s of await page.locator("summary:visible").all()) await s.click();
      }
      const got = await page.evaluate(contrasts);
      assert.deepEqual(got.low, [], colorScheme + " " + file);
      assert.ok(got.looked > 200, String(got.looked));
      assert.ok(got.paper >= from && got.paper <= to, `${colorScheme}: luminance ${got.paper}`);
      await page.context().close();
    }
  }
});

await check("lines and marks of drawings stand out, light and dark", async () => {
  for (const colorScheme of ["light", "dark"]) {
    const page = await visit(url(want.files.small), { colorScheme });
    await page.locator("[data-frame=f00001]").click();
    // WCAG 2.1, 1.4.11: 3 for what is needed to understand a drawing.
    const got = await page.evaluate(() => {
      const numbers = (colour) => colour.match(/[\d.]+/g).map(Number);
      const luminance = (c) => {
        const [r, g, b] = c.slice(0, 3).map((v) => v / 255).map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
      };
      const out = { low: [], looked: 0 };
      for (const path of document.querySelectorAll(".lines .plot path")) {
        const written = path.getAttribute("style");
        const as = ["0072B2", "D55E00", "000000", "222222"].find((c) => written.includes("#" + c));
        if (!as) continue;
        const style = getComputedStyle(path);
        const colour = style.stroke === "none" ? style.fill : style.stroke;
        const panel = getComputedStyle(path.closest(".plot")).backgroundColor;
        const [a, b] = [luminance(numbers(colour)), luminance(numbers(panel))];
        const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        if (ratio < 3) out.low.push(ratio.toFixed(2) + " " + written);
        out.looked++;
      }
      return out;
    });
    assert.deepEqual(got.low, []);
    assert.ok(got.looked > 20, String(got.looked));
    await page.context().close();
  }
});

await check("fits a narrow window", async () => {
  for (const file of Object.values(want.files)) {
    const page = await visit(url(file), { viewport: { width: 390, height: 800 } });
    if (file === want.files.small) await page.locator("[data-frame=f00001]").click();
    assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= 390, file);
    await page.context().close();
  }
});

// glyphRuns counts the operators of a PDF that show text (ISO 32000-1, 9.4.3).
function glyphRuns(pdf) {
  let n = 0;
  const text = pdf.toString("latin1");
  for (let at = text.indexOf("stream\n"); at >= 0; at = text.indexOf("stream\n", at + 7)) {
    if (text.slice(at - 3, at) === "end") continue;
    try {
      n += (inflateSync(pdf.subarray(at + 7, text.indexOf("endstream", at))).toString("latin1").match(/\bT[jJ]\b/g) || []).length;
    } catch { /* a stream that is not compressed, as of a picture */ }
  }
  return n;
}

await check("prints in light colours, with text, the open details and without controls", async () => {
  const page = await visit(url(want.files.small), { colorScheme: "dark" });
  const closed = glyphRuns(await page.pdf({ format: "A4" }));
  await page.locator("[data-frame=f00001]").click();
  const open = glyphRuns(await page.pdf({ format: "A4" }));
  await page.emulateMedia({ media: "print" });
  const got = await page.evaluate(contrasts);
  assert.ok(got.paper > 0.9, String(got.paper));
  assert.deepEqual(got.low, []);
  for (const hidden of ["nav", "#frame-tools", "#frame-pager button", ".chart .size"]) {
    assert.equal(await page.locator(hidden + ":visible").count(), 0, hidden);
  }
  assert.ok(await page.locator(".attention").isVisible());
  assert.equal(await page.locator(rows + ":visible").count(), want.small);
  // Each row of the table and each thing of attention is some run of glyphs.
  assert.ok(closed > want.small * 5, String(closed));
  assert.ok(open > closed + 20, `${open} runs with details, ${closed} without`);
  await page.context().close();
});

await check("HTML is valid, as written and as the script makes it", async () => {
  const validator = new HtmlValidate(new StaticConfigLoader({ extends: ["html-validate:standard", "html-validate:a11y"] }));
  const judge = async (name, html) => {
    const report = await validator.validateString(html, name);
    const messages = report.results.flatMap((r) => r.messages).map((m) => `${name}:${m.line}:${m.column} ${m.ruleId}: ${m.message}`);
    assert.deepEqual(messages.slice(0, 20), []);
  };
  await judge("index of a run", readFileSync(want.files.small, "utf8"));
  await judge("part", readFileSync(want.files.part, "utf8"));
  await judge("empty", readFileSync(want.files.empty, "utf8"));
  await judge("broken", readFileSync(want.files.broken, "utf8"));
  const page = await visit(url(want.files.small));
  await page.locator("[data-frame=f00001]").click();
  await judge("index at work", "<!DOCTYPE html>\n" + (await page.evaluate(() => document.documentElement.outerHTML)));
  await page.context().close();
  await assert.rejects(judge("a page that is wrong", "<!DOCTYPE html><html lang=\"en\"><head><title>x</title></head><body><p><div></p><img src=\"x\"></body></html>"));
});

await browser.close();
console.log(JSON.stringify({ done }));
