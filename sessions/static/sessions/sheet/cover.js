// In the second pass nobody should know who won while they judge: a winner stays covered until the checks of its
// rally are marked, and so does every score of that game that would tell it.
export function coveredRallies(model, ui) {
  const covered = new Set();
  if (ui.pass !== 2) return covered;
  for (const row of model.steps()) if (model.openChecks(row).length) covered.add(row.rally);
  for (const uuid of ui.uncovered) covered.delete(uuid);
  return covered;
}

export function coveredScores(model, covered) {
  const hidden = new Set();
  let games = null;
  let told = false;
  model.rallyList.forEach((rally, index) => {
    const ledger = model.ledger(rally);
    const before = model.rallyList[index - 1];
    const now = ledger ? ledger.before.slice(0, ledger.before.length - ledger.points.length) : games;
    told = Boolean(before && covered.has(before.uuid)) || (told && now === games);
    games = now;
    if (told) hidden.add(rally.uuid);
  });
  return hidden;
}
