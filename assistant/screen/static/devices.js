// Codes for one more screen, and the screens that are paired. Told only to pages that may enter.
"use strict";

const STAYS_MS = 120000; // then it no longer covers the canals
let opened = null, closing = 0, count = 0;

function devices(told) {
  const asked = opened !== null && told.opened > opened;
  const grown = told.devices.length > count && count > 0;
  opened = told.opened;
  count = told.devices.length;
  const codes = told.codes, parts = [];
  $("qr").replaceChildren();
  if (codes) {
    if (codes.qr.length) $("qr").append(squares(codes.qr));
    parts.push(element("span", "tag", "to watch "), element("b", "", spaced(codes.watch)));
    parts.push(element("span", "tag", "to enter too, once "), element("b", "", spaced(codes.enter)));
    parts.push(element("span", "tag", codes.link ? `at ${codes.link.split("#")[0]}` :
      "This page is served to this machine alone; for a tablet the program is begun with --screen-host 0.0.0.0."));
  } else parts.push(element("span", "tag", grown ? "Paired." : "The code has served."));
  if (told.fingerprint) parts.push(element("span", "print", `Certificate (SHA-256): ${told.fingerprint}`));
  $("codes").replaceChildren(...parts);
  $("paired").replaceChildren(...told.devices.map((one) => {
    const item = element("li"), may = one.right === "enter" ? "may enter" : "watches";
    const state = one.this ? "this one" : one.connected ? "connected" : "away";
    item.append(element("b", "", `Screen ${one.number}`),
      element("span", "tag", ` ${may}, ${state}, from ${one.address}, ${one.since} `));
    const out = element("button", "", "Remove");
    out.type = "button";
    out.setAttribute("aria-label", `Remove screen ${one.number}`);
    out.addEventListener("click", () => post({ kind: "remove", device: one.device }));
    item.append(out);
    return item;
  }));
  if (asked) showDevices(true);
}

function spaced(code) {
  return `${code.slice(0, 4)} ${code.slice(4)}`;
}

function squares(rows) {
  const svg = document.createElementNS(SVG, "svg"), side = rows.length;
  svg.setAttribute("viewBox", `0 0 ${side} ${side}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", "QR code with the address and a secret that serves once");
  shape(svg, "rect", { width: side, height: side, fill: "#fff" });
  let d = "";
  rows.forEach((row, y) => [...row].forEach((one, x) => { if (one === "1") d += `M${x} ${y}h1v1h-1z`; }));
  shape(svg, "path", { d, fill: "#000", "shape-rendering": "crispEdges" });
  return svg;
}

function showDevices(open) {
  clearTimeout(closing);
  $("devices").hidden = !open;
  if (open) closing = setTimeout(showDevices, STAYS_MS, false);
}

$("devices-open").addEventListener("click", () => {
  if (!$("devices").hidden) return showDevices(false);
  post({ kind: "pair" });
  showDevices(true);
});
$("devices-close").addEventListener("click", () => showDevices(false));
