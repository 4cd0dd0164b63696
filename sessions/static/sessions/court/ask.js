// Questions to the server, as JSON; what it refuses comes back as its sentences.
const token = document.querySelector("[data-court] input[name=csrfmiddlewaretoken]").value;

export class Refused extends Error {}

// A refusal is a tree of lists with sentences at its ends.
function sentences(tree) {
  if (typeof tree === "string") return [tree];
  if (tree && typeof tree === "object") return Object.values(tree).flatMap(sentences);
  return [];
}

export async function ask(url, method, body) {
  const answer = await fetch(url, {
    method,
    credentials: "same-origin",
    headers: { "Content-Type": "application/json", "X-CSRFToken": token, Accept: "application/json" },
    body: JSON.stringify(body),
  });
  const said = await answer.json();
  if (answer.ok) return said;
  throw new Refused([...new Set(sentences(said))].join(" ") || answer.statusText);
}
