// Keeping the screen on. Law: only what the phone has granted is called granted; else the page says what to do.
//
// The proper way, a wake lock, is for https and this very machine only. On the bike's plain http a film that plays keeps
// most phones awake: a canvas filmed here, with a silent sound track, since a film without sound does not count.

const GRANTED = "The screen stays on.";
const ASKED = "The screen was asked to stay on. If it goes dark, give it a longer time-out.";
const REFUSED = "This screen may go dark: give it a longer time-out.";
const FRAME_MS = 1000;

let held = null;
let film = null;

async function lock() {
  held = await navigator.wakeLock.request("screen");
}

/** A lock ends when the page is hidden; it is asked for again when it comes back. */
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && held?.released) lock().catch(() => {});
});

function filmed(context) {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 16;
  const pen = canvas.getContext("2d");
  let bright = false;
  setInterval(() => {
    bright = !bright;
    pen.fillStyle = bright ? "#222" : "#000";
    pen.fillRect(0, 0, 16, 16);
  }, FRAME_MS);
  const stream = canvas.captureStream(1);
  const silent = context.createMediaStreamDestination();
  stream.addTrack(silent.stream.getAudioTracks()[0]);
  return stream;
}

async function play(context) {
  if (film !== null) return film.play();
  film = document.createElement("video");
  film.className = "film";
  film.setAttribute("playsinline", "");
  film.setAttribute("aria-hidden", "true");
  film.tabIndex = -1;
  film.loop = true;
  film.srcObject = filmed(context);
  document.body.append(film);
  return film.play();
}

/** Asks in whatever way there is; the words for the rider. Called inside a tap. */
export async function stayAwake(context) {
  if (navigator.wakeLock !== undefined) {
    try {
      await lock();
      return GRANTED;
    } catch { /* a phone low on charge refuses: the film may still do */ }
  }
  try {
    await play(context);
    return ASKED;
  } catch {
    return REFUSED;
  }
}
