// What a client in TypeScript relies on: compiled beside the types that a generator made.
import type { components, operations } from "./schema";

type Schemas = components["schemas"];
type Json<T> = { content: { "application/json": T } };
type Answer<Name extends keyof operations> =
  operations[Name]["responses"] extends Record<200, Json<infer T>> ? T : never;
type Same<A, B> =
  (<T>() => T extends A ? 1 : 2) extends <T>() => T extends B ? 1 : 2 ? true : false;

export const named: Same<Answer<"suggest_start">, Schemas["StartAnswer"]> = true;
type Start = NonNullable<Schemas["StartAnswer"]["start"]>;
export const nullable: Same<Start["setting_mv"], number | null> = true;
export const pair: Same<Schemas["Percentile"]["interval"], number[]> = true;
// @ts-expect-error: what may be null has to be asked first.
export const unsure = ({} as Answer<"suggest_start">).start.setting_mv;
// @ts-expect-error: a domain is a word of a list.
export const setting: Schemas["Setting"] = { domain: "cor", control: "voltage_offset" };
// @ts-expect-error: a chip has to be named.
export const result: Schemas["Submission"] = {};
