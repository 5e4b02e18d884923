// Short tones for eyes that are on the flange: settled, counted, done, connection lost. Off until asked for.

const TONES = { settled: [[523, 0.05]], counted: [[880, 0.09]], done: [[660, 0.12], [990, 0.2]], lost: [[330, 0.25], [220, 0.35]] };
const LOUDNESS = 0.2;
let context = null;

export function switchSound(on) {
  if (on && !context) context = new AudioContext();
  else if (!on && context) {
    context.close();
    context = null;
  }
}

export function sound(name) {
  if (!context) return;
  let at = context.currentTime;
  for (const [hertz, seconds] of TONES[name]) {
    const tone = context.createOscillator();
    const volume = context.createGain();
    tone.frequency.value = hertz;
    volume.gain.setValueAtTime(LOUDNESS, at);
    volume.gain.exponentialRampToValueAtTime(0.001, at + seconds);
    tone.connect(volume).connect(context.destination);
    tone.start(at);
    tone.stop(at + seconds);
    at += seconds;
  }
}
