// What needs a script: the page as it changes, and the readout of a drawing. Everything else works without.
"use strict";
const lost = document.getElementById("lost");
let heard = Date.now(), wasLost = false;

function say(words) {
  if (lost.textContent !== words) lost.textContent = words;
  lost.hidden = !words;
}

function put(id, html) {
  const old = document.getElementById(id);
  if (!old) return;
  const held = document.activeElement, address = old.contains(held) ? held.getAttribute("href") : null;
  if (old.matches("article")) old.outerHTML = html; else old.innerHTML = html;
  if (address) document.getElementById(id).querySelector(`[href="${address}"]`)?.focus();
}

function take(event) {
  const news = JSON.parse(event.data);
  heard = Date.now();
  say(news.late ? "This page reads the journal no more: what it shows is old. Start it again." : "");
  for (const [id, html] of Object.entries(news.parts)) put(id, html);
}

let live;
function listen() {
  live = new EventSource("/events?seen=" + document.body.dataset.look);
  live.onmessage = take;
  live.onerror = () => { if (live.readyState === EventSource.CLOSED) setTimeout(listen, 5000); };
}
listen();
addEventListener("pagehide", () => live.close());
addEventListener("pageshow", event => { if (event.persisted) listen(); });
setInterval(() => {
  const silent = Math.round((Date.now() - heard) / 1000);
  if (silent >= 10) say(`The server of this page is not heard for ${silent} s: what it shows is of then.`);
}, 1000);

const bell = document.getElementById("bell"), SOUND_EVERY_MS = 4000;
if (bell) {
  const button = bell.querySelector("button");
  let sound = null;
  const say = words => { if (button.textContent !== words) button.textContent = words; };
  const ring = () => {
    const calls = !lost.hidden || document.querySelector("#head .banner, [data-calls]");
    if (!sound) return;
    say(sound.state === "running" ? "Sound here: on" : "Sound here: kept silent by this browser");
    if (!calls || sound.state !== "running") return;
    for (const [start, pitch] of [[0, 880], [0.35, 660]]) {
      const tone = new OscillatorNode(sound, { frequency: pitch }), loud = new GainNode(sound, { gain: 0.25 });
      tone.connect(loud).connect(sound.destination);
      tone.start(sound.currentTime + start);
      tone.stop(sound.currentTime + start + 0.25);
    }
    bell.dataset.rung = Number(bell.dataset.rung ?? 0) + 1;
  };
  bell.hidden = false;
  button.addEventListener("click", async () => {
    const old = sound;
    sound = old ? null : new AudioContext();
    button.setAttribute("aria-pressed", String(!old));
    if (old) { say("Sound here: off"); await old.close(); } else { await sound.resume(); ring(); }
  });
  setInterval(ring, SOUND_EVERY_MS);
}

function readable(drawing) {
  const words = JSON.parse(drawing.dataset.words), slider = drawing.querySelector("input");
  const output = drawing.querySelector("output"), line = drawing.querySelector(".cursor");
  const picture = drawing.querySelector("svg");
  const [left, right] = drawing.dataset.span.split(" ").map(Number), wide = picture.viewBox.baseVal.width;
  const region = picture.parentElement, tools = drawing.querySelector(".reader");
  region.scrollLeft = region.scrollWidth;
  const show = () => {
    const x = left + (Number(slider.value) + 0.5) / words.length * (right - left);
    line.setAttribute("transform", `translate(${x} 0)`);
    line.classList.add("shown");
    output.textContent = words[slider.value];
    slider.setAttribute("aria-valuetext", words[slider.value]);
  };
  tools.hidden = false;
  slider.max = words.length - 1;
  slider.value = words.length - 1;
  slider.addEventListener("input", () => {
    show();
    region.scrollLeft = slider.value / words.length * region.scrollWidth - region.clientWidth / 2;
  });
  const point = event => {
    const box = picture.getBoundingClientRect();
    const x = (event.clientX - box.left) / box.width * wide;
    slider.value = Math.floor((x - left) / (right - left) * words.length);
    show();
  };
  picture.addEventListener("pointermove", point);
  picture.addEventListener("pointerdown", point);
  const axis = () => {
    const box = picture.getBoundingClientRect();
    return [left, right].map(x => box.left + x / wide * box.width);
  };
  zoomable(region, axis, look, tools.querySelectorAll("button"));
}

// The server draws each stretch of time, so that what is seen closer is what was read, and no enlarged picture.
let asked = 0;
async function look(first, last) {
  const shown = document.getElementById("time"), mine = ++asked;
  const [from, to] = [shown.dataset.from, shown.dataset.to].map(Number);
  const [begin, end] = [first, last].map(part => Math.max(Math.round(from + part * (to - from)), 0));
  const address = `?from=${begin}&to=${end}`, held = document.activeElement;
  try {
    const answer = await fetch(address);
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("time");
    if (mine !== asked) return;
    if (!fresh) throw new Error("no drawing in the answer");
    history.replaceState(null, "", address);
    const again = shown.contains(held) ? held.getAttribute("aria-label") : null;
    shown.replaceWith(fresh);
    readable(fresh.querySelector("figure"));
    if (again) fresh.querySelector(`[aria-label="${again}"]`)?.focus({ preventScroll: true });
  } catch {
    shown.querySelector("svg").style.transform = "";
    say("The server of this page does not answer: that time cannot be shown.");
  }
}
for (const drawing of document.querySelectorAll("#time figure")) readable(drawing);
