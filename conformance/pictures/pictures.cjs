// Takes pictures of a page as a telephone (390 px) and a sheet of A4 show it, and fails where it must be scrolled
// sideways or a column is cut: node pictures.cjs PAGE FOLDER. It drives a headless Chromium (CHROMIUM, or chromium on
// the path) by the DevTools protocol.
"use strict";
const { spawn } = require("node:child_process");
const { mkdtempSync, readFileSync, existsSync, writeFileSync, mkdirSync, rmSync } = require("node:fs");
const { tmpdir } = require("node:os");
const { join, resolve, basename } = require("node:path");
const { pathToFileURL } = require("node:url");

const [page, folder] = process.argv.slice(2);
if (!folder) { console.error("usage: node pictures.cjs PAGE FOLDER"); process.exit(2); }

// A4 is 210 x 297 mm; within margins of 15 mm and at 96 px an inch the text has 680 px.
const shows = [
  { name: "390px", width: 390, height: 844, mobile: true, media: "screen" },
  { name: "a4", width: 680, height: 1009, mobile: false, media: "print" },
];

// What stands out of the window, or is wider within than its box shows.
const outside = `(() => {
  const out = [], width = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > width) out.push("the page is " + document.documentElement.scrollWidth + " px wide");
  for (const e of document.querySelectorAll("body *")) {
    const box = e.getBoundingClientRect();
    if (box.right > width + 0.5 || box.left < -0.5) out.push(e.tagName + " from " + box.left + " to " + box.right);
    if (e.tagName === "TD" || e.tagName === "TH") if (e.scrollWidth > e.clientWidth + 1) out.push(e.tagName + " is cut: " + e.textContent.slice(0, 40));
  }
  return JSON.stringify(out);
})()`;

async function main() {
  const profile = mkdtempSync(join(tmpdir(), "pictures-"));
  const browser = spawn(process.env.CHROMIUM || "chromium",
    ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--remote-debugging-port=0", "--user-data-dir=" + profile, "about:blank"], { stdio: "ignore" });
  const ended = new Promise((_, no) => { browser.on("error", no); browser.on("exit", (code) => no(new Error("the browser ended: " + code))); });
  ended.catch(() => {});
  try {
    const port = await Promise.race([portOf(join(profile, "DevToolsActivePort")), ended]);
    const targets = await (await fetch(`http://127.0.0.1:${port}/json/list`)).json();
    const call = await dial(targets.find((t) => t.type === "page").webSocketDebuggerUrl);
    await call("Page.enable");
    let faults = 0;
    mkdirSync(folder, { recursive: true });
    for (const show of shows) {
      await call("Emulation.setDeviceMetricsOverride", { width: show.width, height: show.height, deviceScaleFactor: 1, mobile: show.mobile });
      await call("Emulation.setEmulatedMedia", { media: show.media });
      await call("Page.navigate", { url: pathToFileURL(resolve(page)).href });
      await new Promise((done) => setTimeout(done, 1000));
      const found = JSON.parse((await call("Runtime.evaluate", { expression: outside })).result.value);
      for (const f of found) console.error(`${show.name}: ${f}`);
      faults += found.length;
      const { data } = await call("Page.captureScreenshot", { captureBeyondViewport: true });
      const to = join(folder, `${basename(page, ".html")}-${show.name}.png`);
      writeFileSync(to, Buffer.from(data, "base64"));
      console.log(to);
    }
    const { data } = await call("Page.printToPDF", { preferCSSPageSize: true, printBackground: true });
    writeFileSync(join(folder, `${basename(page, ".html")}.pdf`), Buffer.from(data, "base64"));
    process.exitCode = faults > 0 ? 1 : 0;
  } finally {
    browser.removeAllListeners("exit");
    browser.on("exit", () => rmSync(profile, { recursive: true, force: true, maxRetries: 5 }));
    browser.kill();
  }
}

async function portOf(file) {
  for (let i = 0; i < 300; i++) {
    if (existsSync(file)) {
      const port = readFileSync(file, "utf8").split("\n")[0];
      if (port) return port;
    }
    await new Promise((done) => setTimeout(done, 100));
  }
  throw new Error("the browser does not answer");
}

// dial gives what calls a method and waits for its result.
async function dial(url) {
  const socket = new WebSocket(url);
  await new Promise((done, no) => { socket.onopen = done; socket.onerror = no; });
  const open = new Map();
  let last = 0;
  socket.onmessage = (m) => {
    const answer = JSON.parse(m.data);
    const wait = open.get(answer.id);
    if (!wait) return;
    open.delete(answer.id);
    if (answer.error) wait.no(new Error(answer.error.message)); else wait.done(answer.result);
  };
  return (method, params = {}) => new Promise((done, no) => { open.set(++last, { done, no }); socket.send(JSON.stringify({ id: last, method, params })); });
}

main().catch((err) => { console.error(err.message); process.exit(1); }).then(() => setTimeout(() => process.exit(), 500));
