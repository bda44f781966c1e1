// Run in the page by the campaign.
function crowded() {
  const wrong = [], w = window.innerWidth, h = window.innerHeight;
  const seen = (e) => e.getClientRects().length && e.textContent.trim();
  const name = (e) => e.id || e.className || e.textContent.trim();
  const parts = [...document.querySelectorAll(
    "#place, #case, #microphone, .notice, #step, #ask, #hints, #ring, #heard, #said, " +
    "#phrases li, #depths, #typed > *, #keys li, #lost")].filter(seen);
  const hidden = (e) => {
    // What scrolls by touch is reached by drawing it up.
    const box = e.closest("#say");
    return box && box.dataset.more === "yes" && e.getBoundingClientRect().bottom > box.getBoundingClientRect().bottom;
  };
  const boxes = parts.filter((e) => !hidden(e)).map((e) => [e, e.getBoundingClientRect()]);
  for (const [e, b] of boxes) {
    const off = b.left < -1 || b.top < -1 || b.right > w + 1 || b.bottom > h + 1;
    if (off) wrong.push(`${name(e)} is off the page`);
    // These two may end in an ellipsis: what matters of them also stands elsewhere.
    const cut = e.scrollWidth > e.clientWidth + 2 && !["case", "sent"].includes(e.id);
    if (cut) wrong.push(`${name(e)} is cut off`);
  }
  for (const id of ["left", "present"]) {
    const e = document.getElementById(id);
    if (e.scrollHeight > e.clientHeight + 2) wrong.push(`${id} does not fit`);
  }
  const meet = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2 &&
    Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2;
  boxes.forEach(([e, a], i) => boxes.slice(i + 1).forEach(([f, b]) => {
    if (!e.contains(f) && !f.contains(e) && meet(a, b)) wrong.push(`${name(e)} overlaps ${name(f)}`);
  }));
  const box = document.getElementById("depths").getBoundingClientRect();
  for (const e of document.querySelectorAll("#depths text")) {
    const b = e.getBoundingClientRect();
    const out = b.left < box.left - 1 || b.right > box.right + 1 || b.bottom > box.bottom + 1;
    if (out) wrong.push(`depth label ${e.textContent} is cut off`);
  }
  return wrong;
}

function letters() {
  const size = (q) => {
    const e = document.querySelector(q);
    return e && e.getClientRects().length ? parseFloat(getComputedStyle(e).fontSize) : null;
  };
  const limit = document.querySelector("#depths .limit tspan:last-child");
  const ring = document.querySelector("#ring:not([hidden]) svg");
  return {
    notice: size(".notice.warning, .notice.trouble"),
    ask: size("#ask"),
    number: ring ? 92 * ring.getBoundingClientRect().width / 200 : null,
    heard: size("#heard"),
    say: size("#phrases li.first > *"),
    limit: limit ? parseFloat(limit.getAttribute("font-size")) : null,
    key: size("#keys button"),
    tooth: Math.min(...[...document.querySelectorAll("#depths .afar")].map((e) => parseFloat(e.getAttribute("font-size")))),
  };
}
