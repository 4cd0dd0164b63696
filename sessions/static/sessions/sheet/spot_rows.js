// Places on the floor as rows of the model: what is on its way has no metres yet, the server's answer brings them.
const without = (rows, code) => Object.fromEntries(Object.entries(rows ?? {}).filter(([name]) => name !== code));

export function findSpot(model, id) {
  const [uuid, code, number] = id.split("/");
  return model.find("situation", uuid)?.spots?.[code]?.[number];
}

function put(model, id, spot, more) {
  const [uuid, code, number] = id.split("/");
  const old = model.situations.get(uuid);
  if (!old) return;
  const spots = { ...old.spots, [code]: { ...old.spots?.[code], [number]: spot } };
  const [chances, measures] = [without(old.chances, code), without(old.measures, code)];
  if (more.chance !== undefined) [chances[code], measures[code]] = [more.chance, more.measure];
  model.inPlace(old, { ...old, spots, chances, measures });
}

export function applySpot(model, id, fields) {
  const { film, at_s, u, v, rev } = findSpot(model, id) ?? {};
  put(model, id, { rev: rev ?? 0, film, at_s, u, v, ...fields }, {});
}

export function takeAnswer(model, { situation, check, number, chance, measure, ...spot }) {
  put(model, `${situation}/${check}/${number}`, spot, { chance, measure });
}
