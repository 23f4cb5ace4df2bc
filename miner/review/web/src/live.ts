// Asks the review server.
import { asUsual, asView, unpack } from "./binary";
import type { Arrays, Decision, Figures, Opened, Saved, Source } from "./types";

async function answer(path: string, init?: RequestInit): Promise<Response> {
  let response: Response;
  try {
    response = await fetch(path, init);
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Error("The review server does not answer. Start 'ignition-miner review' again and open the address that it prints.");
  }
  if (response.ok || response.status === 409) return response;
  const text = await response.text();
  let message = text;
  try {
    message = (JSON.parse(text) as { error: string }).error;
  } catch {
    // plain text already
  }
  throw new Error(message || `The server answered ${response.status}.`);
}

export function liveSource(token: string): Source {
  // which findings this page shows; the server answers for no others
  let generation = "";
  const known = { "x-review-token": token };
  const packed = async (path: string, init?: RequestInit): Promise<[Record<string, unknown>, Arrays]> => {
    const headers: Record<string, string> = generation ? { ...known, "x-findings-generation": generation } : known;
    return unpack(await (await answer(path, { ...init, headers })).arrayBuffer());
  };
  return {
    frozen: false,
    async open() {
      const [header, arrays] = await packed("/api/open");
      generation = String(header.generation);
      return [header, arrays] as unknown as [Opened, Arrays];
    },
    async view(start_s, stop_s, pixels, quick, signal) {
      const query = `start=${start_s}&stop=${stop_s}&pixels=${pixels}${quick ? "&quick=1" : ""}`;
      return asView(...(await packed(`/api/view?${query}`, { signal })));
    },
    async usual(cylinder, rpm) {
      const query = new URLSearchParams();
      if (cylinder !== null) query.set("cylinder", String(cylinder));
      if (rpm !== null) query.set("rpm", String(rpm));
      return asUsual(...(await packed(`/api/usual?${query}`)));
    },
    figures: () => packed("/api/figures") as unknown as Promise<[Figures, Arrays]>,
    async decide(event_id, verdict, note, seen_revision): Promise<Saved> {
      const response = await answer("/api/verdicts", {
        method: "POST",
        headers: { "content-type": "application/json", ...known },
        body: JSON.stringify({ event_id, verdict, note, seen_revision, generation }),
      });
      const content = (await response.json()) as Decision & { newest: Decision };
      return response.status === 409
        ? { kind: "stale", newest: { ...content.newest, event_id } }
        : { kind: "saved", decision: { ...content, event_id } };
    },
    async verdicts(since) {
      return (await (await answer(`/api/verdicts?since=${since}`, { headers: known })).json()) as { verdicts: Decision[]; revision: number };
    },
  };
}
