// Every dashboard as a literal, held to the types that Grafana publishes of its own JSON.
// DASHBOARDS is put in by the test; enums are taken as the strings that stand in the JSON.
import type { Dashboard, DataQuery, FieldConfig, MatcherConfig, Panel, TableCellOptions } from '@grafana/schema';
import type * as lines from '@grafana/schema/dist/esm/raw/composable/timeseries/panelcfg/x/TimeSeriesPanelCfg_types.gen';
import type * as stat from '@grafana/schema/dist/esm/raw/composable/stat/panelcfg/x/StatPanelCfg_types.gen';
import type * as table from '@grafana/schema/dist/esm/raw/composable/table/panelcfg/x/TablePanelCfg_types.gen';

type Plain<T> = 0 extends 1 & T ? T
  : T extends string ? `${T}`
  : T extends object ? { [K in keyof T]: Plain<T[K]> }
  : T;

// It leaves what an override sets without a type; ours set how the cells of a table are shown.
type Override = { matcher: MatcherConfig; properties: { id: 'custom.cellOptions'; value: TableCellOptions }[] };
// The package has no type of a query in PromQL; these are the fields that the data source documents.
type Query = DataQuery & {
  expr: string; instant: boolean; range: boolean; legendFormat: string; format: 'table' | 'time_series';
};
type PanelOf<Type, Options, Custom> = Omit<Panel, 'type' | 'options' | 'fieldConfig' | 'targets'> & {
  type: Type;
  options: Options;
  targets: Query[];
  fieldConfig: { defaults: Omit<FieldConfig, 'custom'> & { custom: Partial<Custom> }; overrides: Override[] };
};
type Ours =
  | PanelOf<'timeseries', lines.Options, lines.FieldConfig>
  | PanelOf<'stat', stat.Options, Record<string, never>>
  | PanelOf<'table', table.Options, table.FieldConfig>;
type Board = Plain<Omit<Dashboard, 'panels'> & { panels: Ours[] }>;

export const dashboards: Board[] = DASHBOARDS;
