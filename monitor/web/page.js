// What the terminal in the page does not do by itself: find its socket, say what it waits for, that its picture is old or that
// nothing comes any more, ring, and keys to touch.
"use strict";

const SILENT_MS = 2000; // the server says twice a second that it is there
const OLD_S = 1.2; // and the screen four times a second that it draws
let socket = null;
let heardMs = Date.now();
let closed = "";
let said = []; // by the screen's program, before its screen was there
let drewS = null; // how long ago it said last that it draws; null before it does
let sound = null;

const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...given) {
    super(...given);
    socket = this;
    heardMs = Date.now();
    this.addEventListener("message", (event) => {
      heardMs = Date.now();
      if (typeof event.data === "string") told(...JSON.parse(event.data));
    });
    this.addEventListener("close", (event) => {
      closed = event.reason || "the connection is closed";
    });
  }
};

function told(kind, what) {
  if (kind === "bell") ring();
  if (kind === "said") said = [...said, what].slice(-20);
  if (kind === "beat") drewS = what;
  if (kind !== "bell") watch();
}

function ring() {
  if (sound === null || sound.state !== "running") return;
  const tone = sound.createOscillator();
  const loud = sound.createGain();
  tone.frequency.value = 880;
  loud.gain.setValueAtTime(0.5, sound.currentTime);
  loud.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + 0.2);
  tone.connect(loud).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.2);
}

// A browser lets no page sound before it was touched.
function wake() {
  sound = sound || new AudioContext();
  sound.resume();
  document.getElementById("mute")?.remove();
}

function press(key) {
  if (socket !== null && socket.readyState === Plain.OPEN) socket.send(JSON.stringify(["stdin", key]));
}

// Until the terminal is touched it has no keyboard: STOP must not wait for that.
const NAMED = { Enter: "\r", Escape: "\x1b", Backspace: "\x7f", ArrowUp: "\x1b[A", ArrowDown: "\x1b[B", ArrowRight: "\x1b[C", ArrowLeft: "\x1b[D" };
function typed(event) {
  const key = event.key.length === 1 ? event.key : NAMED[event.key];
  if (event.target instanceof HTMLTextAreaElement || event.ctrlKey || event.metaKey || event.altKey || !key) return;
  if (document.body.classList.contains("gone")) return; // the keys are the button's
  event.preventDefault();
  press(key);
}

function button(text, act, name) {
  const it = document.createElement("button");
  it.type = "button";
  it.textContent = text;
  if (name) it.className = it.id = name;
  it.addEventListener("pointerdown", (event) => {
    event.preventDefault(); // the terminal keeps the keyboard
    act();
  });
  document.getElementById("keys").append(it);
}

function watch() {
  const gone = closed !== "" || Date.now() - heardMs > SILENT_MS;
  const waiting = !gone && drewS === null;
  const old = !gone && drewS !== null && drewS > OLD_S;
  for (const [name, is] of Object.entries({ gone, waiting, old })) document.body.classList.toggle(name, is);
  const words = said.join("\n");
  document.getElementById("notice").textContent = old
    ? "OLD PICTURE: this screen has drawn nothing for " + Math.round(drewS) + " s, and hears no key. Watch the load itself; to stop: shout"
    : words || "the screen begins";
  const why = closed && drewS === null && words ? words : closed || "nothing has come for " + Math.round((Date.now() - heardMs) / 1000) + " s";
  document.getElementById("why").textContent = "NOT CONNECTED, " + why + ": what stands behind this is not of now";
}

document.addEventListener("DOMContentLoaded", () => {
  const here = location.origin.replace(/^http/, "ws");
  document.getElementById("terminal").dataset.sessionWebsocketUrl = here + "/ws";
  button(document.body.dataset.live === "yes" ? "STOP (space)" : "space", () => press(" "), document.body.dataset.live === "yes" ? "stop" : "");
  for (const key of ["a", "t", "l", "?"]) button(key, () => press(key));
  for (const [text, key] of [["◀", "\x1b[D"], ["▲", "\x1b[A"], ["▼", "\x1b[B"], ["▶", "\x1b[C"], ["enter", "\r"]]) button(text, () => press(key));
  button("silent: touch for sound", wake, "mute");
  document.getElementById("again").addEventListener("click", () => location.reload());
  document.addEventListener("keydown", typed);
  for (const touch of ["pointerdown", "keydown"]) document.addEventListener(touch, wake, { once: true });
  setInterval(watch, 250);
});
