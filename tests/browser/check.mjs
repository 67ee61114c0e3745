// Looks at written reports as a reader meets them, in a real browser with the network off.
//
//   node check.mjs DIR...      (a directory that holds index.html and what lies beside it)
//
// Prints one JSON document: for each directory what is wrong (an empty list where nothing is), how
// many pages it prints to, and where the headings fall on them. The rules are here; what is
// expected of which report is said by the tests that call this.

import fs from "node:fs";
import path from "node:path";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";
import { HtmlValidate } from "html-validate";

const require = createRequire(import.meta.url);
const AXE = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const FLAGS = [
  "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync",
];
/** Printable width and height in CSS pixels: the sheet less the margins that style.css sets. */
const MM = 96 / 25.4;
const PAPERS = {
  A4: { width: (210 - 28) * MM, height: (297 - 32) * MM },
  Letter: { width: (215.9 - 28) * MM, height: (279.4 - 32) * MM },
};

// Valid HTML, not a house style: rules on form are off.
const HTML = new HtmlValidate({
  root: true,
  extends: ["html-validate:standard"],
  elements: ["html5"],
  rules: {
    "long-title": "off", // names come from the user
    "no-inline-style": "error",
    "require-sri": "off",
    "svg-focusable": "off",
    "no-raw-characters": "error",
    "no-trailing-whitespace": "off",
    "attribute-empty-style": "off",
    "void-style": "off",
    "prefer-native-element": ["error", { exclude: ["region", "img"] }],
    "tel-non-breaking": "off", // dates and numbers are no telephone numbers
    "unique-landmark": "error",
  },
});

async function valid(html) {
  const report = await HTML.validateString(html);
  return report.results.flatMap((r) => r.messages)
    .filter((m) => m.severity === 2)
    .map((m) => `HTML, line ${m.line}: ${m.message} (${m.ruleId})`);
}

/** What the page says while it loads, and whether it asks for anything but itself. */
async function load(browser, url, wrong, options = {}) {
  const context = await browser.newContext({ viewport: { width: 1200, height: 900 }, ...options });
  await context.setOffline(true);
  const page = await context.newPage();
  page.on("console", (m) => { if (["error", "warning"].includes(m.type())) wrong.push(`console: ${m.text()}`); });
  page.on("pageerror", (e) => wrong.push(`script: ${e.message}`));
  page.on("dialog", (d) => { wrong.push(`a dialog opened: ${d.message()}`); d.dismiss(); });
  page.on("request", (r) => { if (r.url() !== url) wrong.push(`asks for ${r.url().slice(0, 200)}`); });
  await page.goto(url, { waitUntil: "load" });
  return page;
}

/** Every link leads to an element of the page or to a file beside it. */
async function links(page, dir, wrong) {
  const found = await page.$$eval("a[href]", (all) => all.map((a) => a.getAttribute("href")));
  const ids = new Set(await page.$$eval("[id]", (all) => all.map((e) => e.id)));
  for (const href of new Set(found)) {
    if (href.startsWith("#")) {
      if (!ids.has(href.slice(1))) wrong.push(`link to ${href}, which is not on the page`);
    } else if (!fs.existsSync(path.join(dir, ...decodeURIComponent(href.split("#")[0]).split("/")))) {
      wrong.push(`link to ${href}, which is not beside the page`);
    }
  }
  if (found.length < 10) wrong.push(`only ${found.length} links`);
  for (const link of await page.$$("nav a")) {
    const id = (await link.getAttribute("href")).slice(1);
    await link.evaluate((a) => a.click());
    const top = await page.$eval(`[id="${id}"]`, (e) => e.getBoundingClientRect().top);
    if (top < -1 || top > 900) wrong.push(`following #${id} does not bring it into view (${top})`);
  }
}

/** Every heading of every table sorts, up and then down; the filter hides what does not match. */
async function tables(page, wrong) {
  const found = await page.evaluate(() => {
    const wrong = [];
    let sorted = 0;
    const value = (cell) => cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent.trim();
    const none = (s) => s === "" || s === "–";
    const rises = (a, b) => {
      const x = Number(a), y = Number(b);
      return Number.isFinite(x) && Number.isFinite(y) ? x <= y : a.localeCompare(b, "en", { numeric: true }) <= 0;
    };
    for (const table of document.querySelectorAll("div.table table")) {
      if (table.tBodies[0].rows.length < 2) continue;
      const name = table.caption?.textContent;
      const before = [...table.tBodies[0].rows].map((r) => r.textContent).sort().join("\n");
      [...table.tHead.rows[0].cells].forEach((head, i) => {
        const button = head.querySelector("button");
        if (!button) { wrong.push(`${name}: heading ${head.textContent} cannot be pressed`); return; }
        for (const [way, sign] of [["ascending", 1], ["descending", -1]]) {
          button.click();
          if (head.getAttribute("aria-sort") !== way) wrong.push(`${name}: ${head.textContent} does not say ${way}`);
          const values = [...table.tBodies[0].rows].map((r) => value(r.cells[i])).filter((v) => !none(v));
          for (let k = 1; k < values.length; k++) {
            const [a, b] = sign > 0 ? [values[k - 1], values[k]] : [values[k], values[k - 1]];
            if (!rises(a, b)) { wrong.push(`${name}: ${head.textContent} ${way}: ${values[k - 1]} before ${values[k]}`); break; }
          }
          sorted++;
        }
      });
      if ([...table.tBodies[0].rows].map((r) => r.textContent).sort().join("\n") !== before) wrong.push(`${name}: sorting lost rows`);
      const filter = table.closest("div.table").querySelector("input[type=search]");
      if (filter) {
        const wanted = table.tBodies[0].rows[0].cells[0].textContent.trim().slice(0, 20).toLowerCase();
        filter.value = wanted;
        filter.dispatchEvent(new Event("input"));
        for (const row of table.tBodies[0].rows) {
          if (row.hidden === row.textContent.toLowerCase().includes(wanted)) { wrong.push(`${name}: the filter shows the wrong rows`); break; }
        }
        filter.value = "";
        filter.dispatchEvent(new Event("input"));
      }
    }
    return { wrong, sorted };
  });
  wrong.push(...found.wrong);
  return found.sorted;
}

/** The keyboard reaches the skip link first, and a heading sorts on Enter. */
async function keyboard(page, wrong) {
  await page.keyboard.press("Tab");
  const first = await page.evaluate(() => document.activeElement?.className);
  if (first !== "skip") wrong.push(`the first stop of the Tab key is ${first}, not the skip link`);
  const button = await page.$("div.table:not(details div.table) th button");
  if (button) {
    await button.focus();
    await page.keyboard.press("Enter");
    const sort = await button.evaluate((b) => b.closest("th").getAttribute("aria-sort"));
    if (!sort) wrong.push("Enter on a heading does not sort");
    // Back to front, so that the next press sorts upwards again.
    await page.keyboard.press("Enter");
  }
}

/** Charts have a name and a description, and no word of theirs meets another or leaves the sheet. */
async function charts(page, wrong) {
  const found = await page.evaluate(() => {
    const wrong = [];
    const svgs = document.querySelectorAll("svg");
    for (const svg of svgs) {
      const title = svg.querySelector("title")?.textContent;
      if (!title || !svg.querySelector("desc")?.textContent) wrong.push(`a chart without title or description: ${title}`);
      if (svg.getAttribute("role") !== "img") wrong.push(`${title}: not told to be an image`);
      const sheet = svg.getBoundingClientRect();
      const texts = [...svg.querySelectorAll("text")].map((t) => ({ words: t.textContent.trim(), box: t.getBoundingClientRect() }));
      texts.forEach((a, i) => {
        if (a.box.left < sheet.left - 1 || a.box.right > sheet.right + 1 || a.box.top < sheet.top - 1 || a.box.bottom > sheet.bottom + 1)
          wrong.push(`${title}: “${a.words}” leaves the chart`);
        for (const b of texts.slice(i + 1)) {
          const across = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
          // A line of type is taller than its letters: what meets by less than its leading is clear.
          const down = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
          if (across > 0.5 && down > 3) wrong.push(`${title}: “${a.words}” meets “${b.words}”`);
        }
      });
    }
    return { wrong, count: svgs.length };
  });
  wrong.push(...found.wrong);
  return found.count;
}

async function accessible(page, wrong) {
  await page.evaluate(AXE);
  const found = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
  for (const v of found.violations) {
    if (!["serious", "critical", "moderate"].includes(v.impact)) continue;
    wrong.push(`axe, ${v.impact}: ${v.help} (${v.id}), ${v.nodes.length} times, first ${v.nodes[0].html.slice(0, 160)}`);
  }
}

/** On a narrow screen the page itself does not scroll sideways. */
async function narrow(page, wrong) {
  await page.setViewportSize({ width: 360, height: 800 });
  const wide = await page.evaluate(() => document.scrollingElement.scrollWidth);
  if (wide > 360) wrong.push(`on a screen 360 pixels wide the page is ${wide} wide`);
  await page.setViewportSize({ width: 1200, height: 900 });
}

/** Pages of a PDF, and the page and height of every heading, out of the outline it carries. */
function outline(pdf) {
  const text = pdf.toString("latin1");
  const objects = new Map();
  for (const m of text.matchAll(/(?:^|\n)(\d+) 0 obj\s([\s\S]*?)endobj/g)) objects.set(Number(m[1]), m[2]);
  const pages = [];
  const walk = (ref) => {
    const body = objects.get(ref) ?? "";
    const kids = body.match(/\/Kids\s*\[([^\]]*)\]/);
    if (kids) for (const kid of kids[1].matchAll(/(\d+) 0 R/g)) walk(Number(kid[1]));
    else pages.push(ref);
  };
  const root = [...objects.values()].find((body) => /\/Type\s*\/Catalog/.test(body)) ?? "";
  walk(Number(root.match(/\/Pages\s+(\d+) 0 R/)?.[1]));
  const headings = [];
  for (const body of objects.values()) {
    const at = body.match(/\/Dest\s*\[\s*(\d+) 0 R\s*\/XYZ\s+[-\d.]+\s+([-\d.]+)/);
    const title = body.match(/\/Title\s*(\((?:\\.|[^\\)])*\)|<[0-9A-Fa-f]*>)/);
    if (at && title) headings.push({ title: pdfText(title[1]), page: pages.indexOf(Number(at[1])) + 1, height: Number(at[2]) });
  }
  return { pages: pages.length, headings };
}

function pdfText(written) {
  let bytes = written.startsWith("<")
    ? Buffer.from(written.slice(1, -1), "hex")
    : Buffer.from(written.slice(1, -1).replace(/\\(\d{3}|.)/g, (_, c) => /^\d/.test(c) ? String.fromCharCode(parseInt(c, 8)) : c), "latin1");
  if (bytes[0] === 0xfe && bytes[1] === 0xff) return Buffer.from(bytes.subarray(2)).swap16().toString("utf16le");
  return bytes.toString("latin1");
}

/** Prints on both papers: no figure taller than a sheet, no heading left alone at the foot. */
async function printed(page, wrong, keep) {
  const papers = {};
  await page.emulateMedia({ media: "print" });
  for (const [format, room] of Object.entries(PAPERS)) {
    await page.setViewportSize({ width: Math.floor(room.width), height: Math.floor(room.height) });
    wrong.push(...await page.evaluate(({ format, room }) => {
      const wrong = [];
      for (const e of document.querySelectorAll("figure, tr, .safety, ol.dated > li")) {
        if (!e.checkVisibility()) continue; // inside details that are closed
        const box = e.getBoundingClientRect();
        const name = e.textContent.trim().slice(0, 60);
        if (box.height > room.height) wrong.push(`${format}: “${name}” is taller than a sheet and would be cut`);
        if (box.right > room.width + 2 && box.width > 0) wrong.push(`${format}: “${name}” is wider than a sheet (${Math.round(box.right)} of ${Math.round(room.width)})`);
      }
      for (const e of document.querySelectorAll("article.sheet")) {
        const box = e.getBoundingClientRect();
        if (box.width > 0 && e.querySelectorAll(".blanks tbody tr").length < 12 && box.height > room.height)
          wrong.push(`${format}: the sheet “${e.querySelector("h3").textContent}” takes more than one page (${Math.round(box.height)} of ${Math.round(room.height)})`);
      }
      return wrong;
    }, { format, room }));
    const pdf = await page.pdf({ format, preferCSSPageSize: false, outline: true, tagged: true });
    if (keep) fs.writeFileSync(path.join(keep, `${format}.pdf`), pdf);
    papers[format] = outline(pdf);
    // 17 mm of margin at the foot are 48 points; a heading needs room for two lines below it.
    for (const h of papers[format].headings) {
      if (h.height < 48 + 40) wrong.push(`${format}: the heading “${h.title}” stands alone at the foot of page ${h.page}`);
    }
  }
  await page.emulateMedia({ media: "screen" });
  await page.setViewportSize({ width: 1200, height: 900 });
  return papers;
}

/** Without scripts every table and chart is there all the same. */
async function withoutScript(browser, url, wrong, count) {
  const page = await load(browser, url, wrong, { javaScriptEnabled: false });
  const html = await page.content();
  const svgs = html.split("<svg").length - 1;
  if (svgs !== count) wrong.push(`without scripts ${svgs} charts instead of ${count}`);
  await page.context().close();
}

async function look(browser, dir, keep) {
  const wrong = [];
  const file = path.resolve(dir, "index.html");
  const url = pathToFileURL(file).href;
  const html = fs.readFileSync(file, "utf8");
  wrong.push(...await valid(html));
  const page = await load(browser, url, wrong);
  await keyboard(page, wrong);
  await accessible(page, wrong);
  const charted = await charts(page, wrong);
  await links(page, dir, wrong);
  const sorted = await tables(page, wrong);
  await narrow(page, wrong);
  const papers = await printed(page, wrong, keep);
  const title = await page.title();
  const text = await page.evaluate(() => document.body.innerText);
  if (keep) await page.screenshot({ path: path.join(keep, "page.png"), fullPage: true });
  await page.context().close();
  await withoutScript(browser, url, wrong, charted);
  return { dir, wrong: [...new Set(wrong)], title, bytes: html.length, charts: charted, sorted, papers, text };
}

const dirs = process.argv.slice(2).filter((a) => !a.startsWith("--"));
const keep = process.argv.find((a) => a.startsWith("--keep="))?.slice(7);
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", headless: true, args: FLAGS });
try {
  const reports = [];
  for (const dir of dirs) {
    const here = keep && path.join(keep, path.basename(path.resolve(dir)));
    if (here) fs.mkdirSync(here, { recursive: true });
    reports.push(await look(browser, dir, here));
  }
  console.log(JSON.stringify({ version: browser.version(), reports }));
} finally {
  await browser.close();
}
