// What the station says, as it says it. Silence for longer than SILENT_MS is told as such: the station sends
// a beat three times a second even when it has no reading. A lost connection is tried again and again.

const SILENT_MS = 700; // two beats may be late
const GIVE_UP_MS = 3000;
const LOOK_MS = 100;
const WAITS_MS = [200, 500, 1000, 1500];

export function listen(onMessage, onLink) {
  let socket = null;
  let heardAt = -Infinity;
  let tries = 0;
  let isLive = false;

  function tell(live) {
    if (live === isLive) return;
    isLive = live;
    onLink(live);
  }

  function connect() {
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const mine = new WebSocket(`${scheme}://${location.host}/live?beat=true`);
    socket = mine;
    heardAt = performance.now();
    mine.onmessage = (event) => {
      if (mine !== socket) return;
      heardAt = performance.now();
      tries = 0;
      tell(true);
      for (const line of event.data.split("\n")) onMessage(JSON.parse(line)); // one message a line
    };
    mine.onclose = () => {
      if (mine === socket) again();
    };
  }

  function again() {
    const left = socket;
    socket = null;
    if (left) left.close();
    tell(false);
    setTimeout(connect, WAITS_MS[Math.min(tries, WAITS_MS.length - 1)]);
    tries += 1;
  }

  setInterval(() => {
    const silent = performance.now() - heardAt;
    if (silent > SILENT_MS) tell(false);
    if (socket && silent > GIVE_UP_MS) again();
  }, LOOK_MS);
  connect();
}
