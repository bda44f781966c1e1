// For gloved fingers: a pad of values, and talking while a finger rests on the page.
"use strict";

const HOLD_MS = 350;
let chosen = null, typedOnPad = "", picked = [], digitsOpen = false;

// What the pad is for: the value that is asked, or one that is corrected.
function usePad(name, prefix, what) {
  chosen = { name, prefix, what };
  typedOnPad = "";
  picked = [];
  pad();
  layOut();
}

function opensPad(text) {
  if (!view) return null;
  if (text === "skip") return view.pads.skip ? ["skip", "", "Skip: why?"] : null;
  const one = text === "correction" && view.course.last.find((entry) => entry.correct);
  return one ? [one.kind, one.correct, `Correct: ${one.text}`] : null;
}

function padButton(text) {
  const made = element("button", "", text);
  made.type = "button";
  made.addEventListener("click", () => usePad(...opensPad(text)));
  return made;
}

function pad() {
  const touch = document.body.dataset.hand === "touch" || chosen !== null;
  if (chosen && !view.pads[chosen.name]) chosen = null;
  const asked = chosen || { name: "", prefix: "", what: "" }, now = view.pads[asked.name];
  $("pad").hidden = !mayEnter || !touch || !now;
  if ($("pad").hidden) return;
  setText("pad-what", asked.what || now.title);
  const send = (line) => {
    if (!sendLine(asked.prefix ? `${asked.prefix} ${line}` : line)) return;
    chosen = null;
    typedOnPad = "";
    picked = [];
    digitsOpen = false;
    pad();
  };
  const made = (text, act, className) => {
    const item = element("li"), one = element("button", className || "", text);
    one.type = "button";
    one.addEventListener("click", act);
    item.append(one);
    return item;
  };
  const what = JSON.stringify([now, asked, typedOnPad, picked, digitsOpen]);
  if ($("pad").dataset.what === what) return;
  $("pad").dataset.what = what;
  const taps = now.taps.map((tap) => made(tap.text, () => send(tap.line), tap.suggested ? "suggested" : ""));
  if (now.canals.length) {
    taps.push(...now.canals.map((canal) => {
      const on = picked.includes(canal);
      const item = made(canal, () => {
        picked = on ? picked.filter((one) => one !== canal) : [...picked, canal];
        pad();
      });
      item.firstChild.setAttribute("aria-pressed", String(on));
      return item;
    }));
    if (picked.length) taps.push(made("Enter these", () => send(picked.join(" and ")), "go"));
  }
  if (chosen) taps.push(made("Leave", () => { chosen = null; pad(); layOut(); }));
  const open = now.digits && (digitsOpen || !now.taps.length);
  if (now.digits && now.taps.length) {
    taps.push(made("123", () => { digitsOpen = !digitsOpen; pad(); layOut(); }));
    taps.at(-1).firstChild.setAttribute("aria-expanded", String(digitsOpen));
    taps.at(-1).firstChild.setAttribute("aria-label", "Another number");
  }
  $("taps").dataset.long = now.taps.some((tap) => tap.text.length > 5) || now.canals.length ? "yes" : "no";
  $("taps").replaceChildren(...taps);
  const digits = [];
  if (open) {
    const add = (letter) => () => { typedOnPad = (typedOnPad + letter).slice(0, 5); pad(); };
    for (const digit of "1234567890") digits.push(made(digit, add(digit)));
    digits.push(made(".", add(".")), made("\u232b", () => { typedOnPad = typedOnPad.slice(0, -1); pad(); }));
    digits[11].firstChild.setAttribute("aria-label", "Take back a digit");
    const shown = element("li"), output = element("output", "", typedOnPad || "\u2013");
    shown.append(output);
    digits.push(shown);
    const enter = made("Enter", () => {
      if (!typedOnPad) return;
      send(now.kind === "size" ? `size ${typedOnPad}` : typedOnPad);
    }, "go");
    enter.className = "wide";
    digits.push(enter);
  }
  $("digits").replaceChildren(...digits);
}

// -- holding a finger on the page: the pedal, and a sign as long as it is held -------------

let holding = 0;

function released() {
  clearTimeout(holding);
  $("talk").hidden = true;
}

document.addEventListener("pointerdown", (event) => {
  if (!mayEnter || !view || event.target.closest("button, input, a, aside")) return;
  holding = setTimeout(() => {
    if (sendLine(null)) $("talk").hidden = false;
  }, HOLD_MS);
});
for (const name of ["pointerup", "pointercancel", "scroll"]) document.addEventListener(name, released, true);

wear();
