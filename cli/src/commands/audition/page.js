"use strict";
// The page of an audition: all tracks run together, and switching only turns gains. What stands in one closure, the order
// drawn and what X is, can be read nowhere on the page.

(() => {
  /** Seconds in which a gain comes 2.7 times nearer to where it goes: a switch is done in ten milliseconds, long enough
   *  not to click and too short to be heard as a fade. Two such gains always add to 1. */
  const SWITCH = 0.0025;
  /** Seconds from asking for a start to the start, so that all tracks begin on one sample. */
  const LEAD = 0.05;
  /** Seconds; a shorter loop is a tone. */
  const SHORTEST_LOOP = 0.2;
  /** Seconds of an arrow key. */
  const STEP = 1;

  const at = (id) => document.getElementById(id);
  const clock = (seconds) => {
    const tenths = Math.floor(10 * seconds + 1e-6);
    const rest = tenths % 600;
    return `${Math.floor(tenths / 600)}:${String(Math.floor(rest / 10)).padStart(2, "0")}.${rest % 10}`;
  };
  const element = (name, text) => {
    const made = document.createElement(name);
    made.textContent = text;
    return made;
  };

  // ---- what is compared, taken out of the page so that no name stays in it but where it is shown

  const data = JSON.parse(at("data").textContent);
  at("data").remove();
  const conditions = data.conditions;

  // ---- chance

  /** A whole number below `count`, every one alike. */
  function draw(count) {
    const most = 256 - (256 % count); // beyond it the low numbers would come more often
    const byte = new Uint8Array(1);
    do crypto.getRandomValues(byte); while (byte[0] >= most);
    return byte[0] % count;
  }

  const tracks = data.tracks;
  for (let i = tracks.length - 1; i > 0; i -= 1) {
    const other = draw(i + 1);
    [tracks[i], tracks[other]] = [tracks[other], tracks[i]];
  }
  const label = (track) => `Track ${track + 1}`;

  // ---- sound

  let buffers = [];
  let context = null;
  let master = null;
  let gains = [];
  let sources = [];
  let startedAt = 0; // of `context`, s
  let offset = 0; // where the sources started, or where it stands stopped, s
  let duration = 0;
  let loop = [0, 0];
  let heard = 0; // index of the track
  let playing = false;

  function bytes(base64) {
    const text = atob(base64);
    const made = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i += 1) made[i] = text.charCodeAt(i);
    return made.buffer;
  }

  /** Decodes all tracks at their own rate, so that nothing is resampled here. */
  async function decode() {
    const decoder = new OfflineAudioContext(1, 1, conditions.rate);
    for (const track of tracks) {
      const wav = bytes(track.wav);
      track.wav = null;
      buffers.push(await decoder.decodeAudioData(wav));
    }
    duration = Math.min(...buffers.map((buffer) => buffer.duration));
    loop = [0, duration];
  }

  function amplitude() {
    return 10 ** (Number(at("volume").value) / 20);
  }

  function open() {
    context = new AudioContext({ sampleRate: conditions.rate, latencyHint: "interactive" });
    master = new GainNode(context, { gain: amplitude() });
    master.connect(context.destination);
    gains = buffers.map((_, index) => {
      const gain = new GainNode(context, { gain: index === heard ? 1 : 0 });
      gain.connect(master);
      return gain;
    });
  }

  function position() {
    if (!playing) return offset;
    let now = offset + Math.max(0, context.currentTime - startedAt);
    if (now >= loop[1]) now = loop[0] + ((now - loop[0]) % (loop[1] - loop[0]));
    return now;
  }

  function stopSources() {
    for (const source of sources) source.stop();
    sources = [];
  }

  /** Starts all tracks on one sample. */
  function startSources(from) {
    offset = from >= loop[0] && from < loop[1] ? from : loop[0];
    startedAt = context.currentTime + LEAD;
    sources = buffers.map((buffer, index) => {
      const source = new AudioBufferSourceNode(context, {
        buffer, loop: true, loopStart: loop[0], loopEnd: loop[1],
      });
      source.connect(gains[index]);
      source.start(startedAt, offset);
      return source;
    });
  }

  async function play() {
    if (playing || buffers.length === 0) return;
    if (context === null) open();
    playing = true;
    await context.resume();
    if (!playing) return; // stopped meanwhile
    startSources(offset);
    listened();
    show();
    requestAnimationFrame(tick);
  }

  function stop() {
    if (!playing) return;
    offset = position();
    playing = false;
    stopSources();
    show();
  }

  function seek(to) {
    const place = Math.min(Math.max(to, 0), duration);
    if (playing) {
      stopSources();
      startSources(place);
    } else {
      offset = place;
    }
    show();
  }

  function setLoop(from, to) {
    if (to - from < SHORTEST_LOOP) return;
    const place = position();
    loop = [from, to];
    seek(place >= from && place < to ? place : from);
  }

  /** Turns the gains to another track. */
  function hear(track) {
    heard = track;
    if (context !== null) {
      const now = context.currentTime;
      gains.forEach((gain, index) => {
        gain.gain.cancelScheduledValues(now);
        gain.gain.setTargetAtTime(index === track ? 1 : 0, now, SWITCH);
      });
    }
    listened();
    show();
  }

  // ---- open comparison

  let revealed = false;

  const trackButtons = tracks.map((_, index) => {
    const button = document.createElement("button");
    button.type = "button";
    button.disabled = true;
    button.append(element("strong", label(index)));
    button.addEventListener("click", () => hear(index));
    at("tracks").append(button);
    return button;
  });

  function reveal() {
    if (revealed) return;
    revealed = true;
    trackButtons.forEach((button, index) => {
      button.append(element("span", tracks[index].name), element("span", tracks[index].description));
    });
    for (const pick of [at("pick-a"), at("pick-b")]) {
      for (const option of pick.options) option.textContent = named(Number(option.value));
    }
    at("reveal").textContent = "Reload the page to hide and shuffle again";
    at("reveal").disabled = true;
    showTrials();
  }

  function named(track) {
    return revealed ? `${label(track)}: ${tracks[track].name}` : label(track);
  }

  // ---- blind test

  let blind = false;
  let hearing = "A";
  let x = "A";
  let heardX = false;
  let trials = [];

  const picked = (letter) => Number(at(letter === "A" ? "pick-a" : "pick-b").value);
  const total = () => Number(at("trials").value);
  const right = () => trials.filter((trial) => trial.x === trial.answer).length;

  function drawX() {
    x = draw(2) === 0 ? "A" : "B";
    heardX = false;
  }

  function hearLetter(letter) {
    hearing = letter;
    hear(picked(letter === "X" ? x : letter));
  }

  /** Notes that X has been heard in this trial. */
  function listened() {
    if (blind && playing && hearing === "X") heardX = true;
  }

  function mayAnswer() {
    return heardX && trials.length < total() && picked("A") !== picked("B");
  }

  function answer(letter) {
    if (!mayAnswer()) return;
    trials.push({ x, answer: letter });
    drawX();
    hearLetter("A");
    showTrials();
  }

  function scoreInWords() {
    if (picked("A") === picked("B")) return "A and B are the same track: choose two.";
    if (trials.length === 0) return `Trial 1 of ${total()}. Play, listen to X, then answer.`;
    const last = trials[trials.length - 1];
    const score = `${right()} of ${trials.length} right; a guesser does as well in ${oddsInWords(right(), trials.length)}.`;
    if (trials.length < total()) {
      const was = `X was ${last.x}: ${last.x === last.answer ? "right" : "wrong"}.`;
      return `${was} Score ${score} Trial ${trials.length + 1} of ${total()}.`;
    }
    const found = odds(right(), trials.length) <= 0.05;
    const custom = found
      ? "By custom (1 of 20 runs or rarer) that counts as a difference heard."
      : "By custom (1 of 20 runs or rarer) that does not show a difference; it does not show that there is none either.";
    return `Done. Score ${score} ${custom}`;
  }

  function logText() {
    const lines = [
      `Blind test (ABX): ${conditions.recording}`,
      `A: ${named(picked("A"))}`,
      `B: ${named(picked("B"))}`,
    ];
    if (!revealed) lines.push("Names are hidden; reveal them to have them here.");
    lines.push("", "trial  X  answer");
    trials.forEach((trial, index) => {
      const verdict = trial.x === trial.answer ? "right" : "wrong";
      lines.push(`${String(index + 1).padStart(5)}  ${trial.x}  ${trial.answer}  ${verdict}`);
    });
    lines.push("", `Trials chosen beforehand: ${total()}`);
    if (trials.length > 0) {
      const share = odds(right(), trials.length);
      lines.push(`Score: ${right()} of ${trials.length}; a guesser does as well in ${oddsInWords(right(), trials.length)}`
        + ` (probability ${share.toPrecision(3)})`);
    }
    return `${lines.join("\n")}\n`;
  }

  function reset() {
    trials = [];
    drawX();
    hearLetter("A");
    showTrials();
  }

  async function copy() {
    try {
      await navigator.clipboard.writeText(logText());
      at("copied").textContent = "Copied.";
    } catch {
      getSelection().selectAllChildren(at("log"));
      at("copied").textContent = "Selected; copy it with the keys of your system.";
    }
  }

  function save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([logText()], { type: "text/plain" }));
    link.download = "blind-test.txt";
    link.click();
    URL.revokeObjectURL(link.href);
  }

  // ---- what is seen

  const overview = at("overview");
  let envelope = [];

  /** Highest magnitude of any track in each column: one picture of all, that tells none from another. */
  function measureEnvelope() {
    const columns = overview.width / 2;
    envelope = new Array(columns).fill(0);
    for (const buffer of buffers) {
      for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
        const samples = buffer.getChannelData(channel);
        for (let i = 0; i < samples.length; i += 1) {
          const column = Math.min(columns - 1, Math.floor((i * columns) / samples.length));
          envelope[column] = Math.max(envelope[column], Math.abs(samples[i]));
        }
      }
    }
    const most = Math.max(...envelope, 1e-9);
    envelope = envelope.map((value) => value / most);
  }

  function paint() {
    const pen = overview.getContext("2d");
    const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);
    const { width, height } = overview;
    const place = (seconds) => (width * seconds) / Math.max(duration, 1e-9);
    pen.fillStyle = colour("--paper");
    pen.fillRect(0, 0, width, height);
    pen.fillStyle = colour("--loop");
    pen.fillRect(place(loop[0]), 0, place(loop[1] - loop[0]), height);
    pen.fillStyle = colour("--wave");
    envelope.forEach((value, column) => {
      const tall = Math.max(1, value * (height - 8));
      pen.fillRect(2 * column, (height - tall) / 2, 2, tall);
    });
    pen.fillStyle = colour("--glow");
    pen.fillRect(place(position()) - 1.5, 0, 3, height);
  }

  function showTime() {
    const now = position();
    at("time").textContent = `${clock(now)} of ${clock(duration)}`;
    at("position").value = String(now);
    // Whole seconds: a screen reader says every change.
    at("position").setAttribute("aria-valuetext", clock(Math.floor(now)));
    paint();
  }

  function tick() {
    showTime();
    if (playing) requestAnimationFrame(tick);
  }

  function show() {
    at("play").textContent = playing ? "Stop" : "Play";
    at("loop-text").textContent = loop[0] === 0 && loop[1] === duration
      ? "Loop: all" : `Loop: ${clock(loop[0])} to ${clock(loop[1])}`;
    trackButtons.forEach((button, index) => {
      button.setAttribute("aria-pressed", String(!blind && index === heard));
    });
    for (const letter of ["A", "B", "X"]) {
      at(`hear-${letter.toLowerCase()}`).setAttribute("aria-pressed", String(blind && hearing === letter));
    }
    at("is-a").disabled = !mayAnswer();
    at("is-b").disabled = !mayAnswer();
    showTime();
  }

  function showTrials() {
    const begun = trials.length > 0;
    for (const id of ["pick-a", "pick-b", "trials"]) at(id).disabled = begun;
    for (const id of ["reset", "copy", "save"]) at(id).disabled = !begun;
    at("score").textContent = scoreInWords();
    at("log").textContent = logText();
    at("copied").textContent = "";
    show();
  }

  function showConditions() {
    document.title = `Audition: ${conditions.recording}`;
    at("title").textContent = document.title;
    at("subtitle").textContent = conditions.summary;
    for (const [name, value] of conditions.facts) {
      at("facts").append(element("dt", name), element("dd", value));
    }
    const [head, ...rows] = conditions.table;
    const line = (cells, kind) => {
      const made = document.createElement("tr");
      made.append(...cells.map((cell) => element(kind, cell)));
      return made;
    };
    at("amplifiers").append(line(head, "th"), ...rows.map((row) => line(row, "td")));
    for (const cell of at("amplifiers").querySelectorAll("th")) cell.scope = "col";
    for (const text of conditions.assumed) at("assumed").append(element("pre", text));
  }

  // ---- what is pressed

  function setMode(mode) {
    blind = mode === "blind";
    at("open").hidden = blind;
    at("blind").hidden = !blind;
    if (blind) hearLetter("A");
    else hear(heard);
    showTrials();
  }

  function repick() {
    drawX();
    hearLetter("A");
    showTrials();
  }

  function onKey(event) {
    if (!at("keys").checked || event.ctrlKey || event.altKey || event.metaKey || at("confirm").open) return;
    const where = event.target;
    const takesText = where instanceof HTMLSelectElement || (where instanceof HTMLInputElement && where.type === "range");
    if (takesText) return;
    const presses = where instanceof HTMLButtonElement || where instanceof HTMLInputElement || where.tagName === "SUMMARY";
    const key = event.key;
    if (key === " ") {
      if (presses) return;
      if (playing) stop(); else play();
    } else if (key === "ArrowLeft" || key === "ArrowRight") {
      if (where instanceof HTMLInputElement) return;
      seek(position() + (key === "ArrowLeft" ? -STEP : STEP));
    } else if (key === "[") setLoop(position(), loop[1]);
    else if (key === "]") setLoop(loop[0], position());
    else if (!blind && /^[1-9]$/.test(key) && Number(key) <= tracks.length) hear(Number(key) - 1);
    else if (blind && event.shiftKey && /^[ab]$/i.test(key)) answer(key.toUpperCase());
    else if (blind && !event.shiftKey && /^[abx]$/i.test(key)) hearLetter(key.toUpperCase());
    else return;
    event.preventDefault();
  }

  function listen() {
    at("play").addEventListener("click", () => (playing ? stop() : play()));
    at("position").addEventListener("input", () => seek(Number(at("position").value)));
    overview.addEventListener("click", (event) => {
      seek((duration * event.offsetX) / overview.clientWidth);
    });
    at("loop-from").addEventListener("click", () => setLoop(position(), loop[1]));
    at("loop-to").addEventListener("click", () => setLoop(loop[0], position()));
    at("loop-all").addEventListener("click", () => setLoop(0, duration));
    at("volume").addEventListener("input", () => {
      if (master !== null) master.gain.setTargetAtTime(amplitude(), context.currentTime, SWITCH);
    });
    for (const radio of document.getElementsByName("mode")) {
      radio.addEventListener("change", () => setMode(radio.value));
    }
    at("reveal").addEventListener("click", reveal);
    for (const letter of ["A", "B", "X"]) {
      at(`hear-${letter.toLowerCase()}`).addEventListener("click", () => hearLetter(letter));
    }
    at("is-a").addEventListener("click", () => answer("A"));
    at("is-b").addEventListener("click", () => answer("B"));
    at("pick-a").addEventListener("change", repick);
    at("pick-b").addEventListener("change", repick);
    at("trials").addEventListener("change", showTrials);
    at("copy").addEventListener("click", copy);
    at("save").addEventListener("click", save);
    at("reset").addEventListener("click", () => at("confirm").showModal());
    at("confirm-no").addEventListener("click", () => at("confirm").close());
    at("confirm-yes").addEventListener("click", () => {
      at("confirm").close();
      reset();
    });
    document.addEventListener("keydown", onKey);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  }

  async function begin() {
    showConditions();
    try {
      await decode();
    } catch (error) {
      at("notice").textContent = `The tracks cannot be decoded by this browser: ${error.message}`;
      at("notice").hidden = false;
      return;
    }
    measureEnvelope();
    for (const pick of [at("pick-a"), at("pick-b")]) {
      tracks.forEach((_, index) => pick.append(new Option(label(index), String(index))));
    }
    at("pick-b").value = "1";
    at("position").max = String(duration);
    at("position").step = "any";
    for (const id of ["play", "position", "loop-from", "loop-to", "loop-all", "reveal", "hear-a", "hear-b", "hear-x"]) {
      at(id).disabled = false;
    }
    for (const button of trackButtons) button.disabled = false;
    drawX();
    listen();
    setMode(document.querySelector("input[name=mode]:checked").value);
    document.body.dataset.ready = "true";
  }

  begin();
})();
