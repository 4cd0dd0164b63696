// A score that is set by hand: what somebody writes on paper, and the counts that the ledger reads.
const CALLS = { 0: 0, 15: 1, 30: 2, 40: 3 };

function pair(text) {
  const found = /^(\d{1,3})\s*[-:]\s*(\d{1,3})$/.exec(text.trim());
  return found ? [Number(found[1]), Number(found[2])] : null;
}

function points(text) {
  const call = text.trim().toUpperCase();
  if (/^AD\s*[-:]\s*40$/.test(call)) return [4, 3];
  if (/^40\s*[-:]\s*AD$/.test(call)) return [3, 4];
  const plain = pair(call);
  if (!plain) return null;
  // 15, 30 and 40 only stand in a game; a tie-break counts 1, 2, 3.
  const calls = plain.every((one) => one in CALLS) && plain.some((one) => one >= 15);
  return calls ? plain.map((one) => CALLS[one]) : plain;
}

export function readScore({ sets, games, points: inGame }) {
  const over = sets.trim()
    ? sets
        .trim()
        .split(/[\s,]+/)
        .map(pair)
    : [];
  const now = games.trim() ? pair(games) : [0, 0];
  const running = inGame.trim() ? points(inGame) : [0, 0];
  if (over.includes(null) || !now || !running) return null;
  return { sets: over, games: now, points: running };
}

export function scoreParts(score) {
  if (!score) return { sets: "", games: "", points: "" };
  const calls = Object.entries(CALLS).map(([call, count]) => [count, call]);
  const call = (count) => new Map(calls).get(count) ?? String(count);
  const [a, b] = score.points;
  const inGame =
    Math.max(a, b) <= 3
      ? `${call(a)}-${call(b)}`
      : a === 4 && b === 3
        ? "AD-40"
        : a === 3 && b === 4
          ? "40-AD"
          : `${a}-${b}`;
  return {
    sets: score.sets.map((one) => one.join("-")).join(" "),
    games: score.games.join("-"),
    points: inGame,
  };
}
